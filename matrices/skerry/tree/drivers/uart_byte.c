/* The bought-in UART of the larger boards: registers of one byte, the divisor behind a latch bit. */
#include "mmio.h"
#include "uart.h"

#define DATA 0
#define DIVISOR_LOW 0
#define DIVISOR_HIGH 1
#define LINE_CONTROL 3
#define LINE_8_BITS 0x03
#define LINE_DIVISOR_LATCH 0x80
#define LINE_STATUS 5
#define LINE_STATUS_READY 0x20

void uart_chip_start(uptr base, u16 divisor)
{
    mmio_write8(base + LINE_CONTROL, LINE_DIVISOR_LATCH);
    mmio_write8(base + DIVISOR_LOW, (u8)divisor);
    mmio_write8(base + DIVISOR_HIGH, (u8)(divisor >> 8));
    mmio_write8(base + LINE_CONTROL, LINE_8_BITS);
}

bool uart_chip_ready(uptr base)
{
    return (mmio_read8(base + LINE_STATUS) & LINE_STATUS_READY) != 0;
}

void uart_chip_put(uptr base, u8 byte)
{
    mmio_write8(base + DATA, byte);
}
