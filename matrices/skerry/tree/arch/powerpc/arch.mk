TRIPLE := powerpc-none-eabi
ARCH_FLAGS := -msoft-float
