#include "arch.h"

const char arch_name[] = "riscv64";

void arch_sync_code(void *start, usize count)
{
    (void)start;
    (void)count;
    __asm__ volatile("fence.i" ::: "memory");
}

void arch_halt(void)
{
    for (;;)
        __asm__ volatile("wfi");
}
