void stop(void) { __asm__("bogus r1"); }
