int missing(void) { return 1; }
int main(void) { return 2; }
int absent;
