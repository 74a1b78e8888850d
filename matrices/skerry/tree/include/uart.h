#ifndef SKERRY_UART_H
#define SKERRY_UART_H

#include "types.h"

void uart_start(uptr base, u16 divisor);
void uart_write(const char *text, usize length);

/* One of the drivers/uart_*.c provides these. */
void uart_chip_start(uptr base, u16 divisor);
bool uart_chip_ready(uptr base);
void uart_chip_put(uptr base, u8 byte);

#endif
