#include "arch.h"

const char arch_name[] = "x86";

/* The processor watches for it by itself. */
void arch_sync_code(void *start, usize count)
{
    (void)start;
    (void)count;
}

void arch_halt(void)
{
    for (;;)
        __asm__ volatile("cli\n\thlt");
}
