    .section .start, "ax"
    .globl start
start:
    lis 1, stack_top@ha
    addi 1, 1, stack_top@l
    li 0, 0
    stwu 0, -16(1)          /* the back chain ends here */
    b skerry_entry
