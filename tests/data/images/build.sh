#!/bin/sh
# Makes the images of this folder anew, with Debian's cross compilers and GNU binutils 2.40. The .usage files are what
# GNU ld itself says (--print-memory-usage): the tests hold our figures against them.
set -eu
cd "$(dirname "$0")"

build() { # name, tool prefix, flags...
    name=$1 prefix=$2
    shift 2
    "${prefix}gcc" "$@" -Os -ffreestanding -fno-pic -nostdlib -static -Wl,--build-id=none -Wl,-z,max-page-size=16 \
        -Wl,-z,common-page-size=16 -Wl,--no-warn-rwx-segments -Wl,--print-memory-usage -T beacon.ld beacon.c \
        -o "$name.elf" >"$name.usage"
}

build beacon-arm arm-none-eabi- -mcpu=cortex-m3 -mthumb
build beacon-riscv64 riscv64-unknown-elf- -march=rv64imac -mabi=lp64 -mcmodel=medany
build beacon-powerpc powerpc-linux-gnu- -mcpu=powerpc -msdata=none

arm-none-eabi-objcopy -O ihex beacon-arm.elf beacon-arm.hex
arm-none-eabi-objcopy -O srec --srec-len=32 beacon-arm.elf beacon-arm.srec
arm-none-eabi-objcopy -O binary --gap-fill 0xff beacon-arm.elf beacon-arm.bin

for half in one a_member_with_a_long_name; do
    printf 'int %s_count; int %s(void) { return %s_count += 3; }\n' "$half" "$half" "$half" >"$half.c"
    arm-none-eabi-gcc -mcpu=cortex-m3 -mthumb -Os -c "$half.c" -o "$half.o"
done
rm -f libbeacon.a
arm-none-eabi-ar rcsD libbeacon.a one.o a_member_with_a_long_name.o
rm -f one.* a_member_with_a_long_name.*
chmod 644 beacon-*
