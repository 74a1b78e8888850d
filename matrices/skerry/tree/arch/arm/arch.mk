TRIPLE := thumbv7m-none-eabi
ARCH_FLAGS := -mthumb -mfloat-abi=soft -mno-unaligned-access
