#ifndef SKERRY_PORT_IO_H
#define SKERRY_PORT_IO_H

#include "types.h"

static inline u8 port_read8(u16 port)
{
    u8 value;
    __asm__ volatile("inb %1, %0" : "=a"(value) : "Nd"(port));
    return value;
}

static inline void port_write8(u16 port, u8 value)
{
    __asm__ volatile("outb %0, %1" ::"a"(value), "Nd"(port));
}

#endif
