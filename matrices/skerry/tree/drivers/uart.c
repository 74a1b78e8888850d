#include "uart.h"
#include "sizes.h"

static uptr uart_base;

void uart_start(uptr base, u16 divisor)
{
    uart_base = base;
    uart_chip_start(base, divisor);
}

static void put_byte(u8 byte)
{
    /* A console that is not there must not stop a light: give up on the byte, not on the boot. */
    for (u32 polls = 0; polls < POLL_LIMIT && !uart_chip_ready(uart_base); polls++)
        ;
    uart_chip_put(uart_base, byte);
}

void uart_write(const char *text, usize length)
{
    for (; length; length--, text++) {
        if (*text == '\n')
            put_byte('\r');
        put_byte((u8)*text);
    }
}
