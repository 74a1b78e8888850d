    .section .start, "ax"
    .globl start
start:
    adrp x9, stack_top
    add x9, x9, :lo12:stack_top
    mov sp, x9
    b skerry_entry
