    .section .start, "ax"
    .globl start
start:
    cli
    cld
    movl $stack_top, %esp
    pushl $0                /* nobody to return to */
    jmp skerry_entry
