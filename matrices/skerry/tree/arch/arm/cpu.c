#include "arch.h"

const char arch_name[] = "arm";

void arch_sync_code(void *start, usize count)
{
    (void)start;
    (void)count;
    __asm__ volatile("dsb\n\tisb" ::: "memory");
}

void arch_halt(void)
{
    for (;;)
        __asm__ volatile("wfi");
}
