TRIPLE := loongarch64-none-elf
ARCH_FLAGS := -msoft-float -mabi=lp64s -fdirect-access-external-data
