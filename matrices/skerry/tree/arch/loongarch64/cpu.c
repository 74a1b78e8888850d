#include "arch.h"

const char arch_name[] = "loongarch64";

void arch_sync_code(void *start, usize count)
{
    (void)start;
    (void)count;
    __asm__ volatile("dbar 0\n\tibar 0" ::: "memory");
}

void arch_halt(void)
{
    for (;;)
        __asm__ volatile("idle 0");
}
