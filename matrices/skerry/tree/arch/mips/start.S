    .set noreorder
    .section .start, "ax"
    .globl start
start:
    mtc0 $zero, $13         /* no interrupt is pending */
    lui $sp, %hi(stack_top)
    addiu $sp, $sp, %lo(stack_top)
    lui $t9, %hi(skerry_entry)
    addiu $t9, $t9, %lo(skerry_entry)
    jr $t9
    addiu $sp, $sp, -16     /* the caller's argument area */
