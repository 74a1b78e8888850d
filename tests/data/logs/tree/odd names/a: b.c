int f(void) { int unused; return 0; }
