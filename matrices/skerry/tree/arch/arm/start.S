    .syntax unified
    .section .start, "a"
    .word stack_top
    .word start
    .rept 14
    .word fault
    .endr

    .section .text.start, "ax"
    .thumb_func
    .globl start
start:
    b skerry_entry

    .thumb_func
fault:
    wfi
    b fault
