#include "arch.h"

const char arch_name[] = "powerpc";

/* 16 bytes is the shortest line of the cores in use. */
void arch_sync_code(void *start, usize count)
{
    for (usize at = 0; at < count; at += 16)
        __asm__ volatile("dcbst 0, %0\n\tsync\n\ticbi 0, %0" ::"r"((u8 *)start + at) : "memory");
    __asm__ volatile("sync\n\tisync" ::: "memory");
}

void arch_halt(void)
{
    for (;;)
        __asm__ volatile("sync");
}
