#ifndef SKERRY_MMIO_H
#define SKERRY_MMIO_H

#include "types.h"

/* Device registers have the byte order of the machine that they sit in. */

static inline u32 mmio_read32(uptr address)
{
    return *(const volatile u32 *)address;
}

static inline void mmio_write32(uptr address, u32 value)
{
    *(volatile u32 *)address = value;
}

static inline u8 mmio_read8(uptr address)
{
    return *(const volatile u8 *)address;
}

static inline void mmio_write8(uptr address, u8 value)
{
    *(volatile u8 *)address = value;
}

#endif
