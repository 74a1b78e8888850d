int depth(char *text) { return text ? 1 : 0; }
