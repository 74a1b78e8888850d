int depth(int);
int main(void) { return depth(1); }
