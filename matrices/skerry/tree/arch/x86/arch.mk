TRIPLE := i386-none-elf
ARCH_FLAGS := -march=i486 -mno-sse -mno-mmx -msoft-float
