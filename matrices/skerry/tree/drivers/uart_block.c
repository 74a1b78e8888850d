/* The UART of the Skerry peripheral block: three words. */
#include "mmio.h"
#include "uart.h"

#define DATA 0x0
#define STATUS 0x4
#define STATUS_READY 1u
#define DIVISOR 0x8

void uart_chip_start(uptr base, u16 divisor)
{
    mmio_write32(base + DIVISOR, divisor);
}

bool uart_chip_ready(uptr base)
{
    return (mmio_read32(base + STATUS) & STATUS_READY) != 0;
}

void uart_chip_put(uptr base, u8 byte)
{
    mmio_write32(base + DATA, byte);
}
