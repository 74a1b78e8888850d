__asm__(".section .gnu.warning.sound_horn\n.asciz \"sound_horn is not implemented and will always fail\"");
int sound_horn(void) { return -1; }
