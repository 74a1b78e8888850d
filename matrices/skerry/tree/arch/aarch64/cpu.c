#include "arch.h"

const char arch_name[] = "aarch64";

/* 16 bytes is the shortest line that the architecture allows. */
void arch_sync_code(void *start, usize count)
{
    for (usize at = 0; at < count; at += 16)
        __asm__ volatile("dc cvau, %0\n\tic ivau, %0" ::"r"((u8 *)start + at) : "memory");
    __asm__ volatile("dsb sy\n\tisb" ::: "memory");
}

void arch_halt(void)
{
    for (;;)
        __asm__ volatile("wfi");
}
