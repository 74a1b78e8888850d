/* The same registers as uart_byte.c, behind I/O ports. Only x86 has those. */
#include "port_io.h"
#include "uart.h"

#define DATA 0
#define LINE_CONTROL 3
#define LINE_8_BITS 0x03
#define LINE_DIVISOR_LATCH 0x80
#define LINE_STATUS 5
#define LINE_STATUS_READY 0x20

void uart_chip_start(uptr base, u16 divisor)
{
    port_write8((u16)(base + LINE_CONTROL), LINE_DIVISOR_LATCH);
    port_write8((u16)base, (u8)divisor);
    port_write8((u16)(base + 1), (u8)(divisor >> 8));
    port_write8((u16)(base + LINE_CONTROL), LINE_8_BITS);
}

bool uart_chip_ready(uptr base)
{
    return (port_read8((u16)(base + LINE_STATUS)) & LINE_STATUS_READY) != 0;
}

void uart_chip_put(uptr base, u8 byte)
{
    port_write8((u16)(base + DATA), byte);
}
