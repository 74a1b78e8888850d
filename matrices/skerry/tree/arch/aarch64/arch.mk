TRIPLE := aarch64-none-elf
ARCH_FLAGS := -mgeneral-regs-only -mstrict-align
