    .section .start, "ax"
    .globl start
start:
    la.pcrel $sp, stack_top
    b skerry_entry
