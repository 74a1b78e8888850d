    .section .start, "ax"
    .globl start
start:
    la sp, stack_top
    tail skerry_entry
