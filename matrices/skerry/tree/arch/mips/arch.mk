TRIPLE := mips-none-elf
ARCH_FLAGS := -march=mips32r2 -msoft-float -mno-abicalls -G0
