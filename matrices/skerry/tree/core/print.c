#include "print.h"
#include "uart.h"

static void put_number(u32 value, u32 base)
{
    char digits[10];
    usize at = sizeof(digits);
    do {
        u32 digit = value % base;
        digits[--at] = (char)(digit < 10 ? '0' + digit : 'a' + digit - 10);
        value /= base;
    } while (value);
    uart_write(&digits[at], sizeof(digits) - at);
}

static void put_text(const char *text)
{
    usize length = 0;
    while (text[length])
        length++;
    uart_write(text, length);
}

static void put_signed(int value)
{
    if (value < 0)
        uart_write("-", 1);
    put_number(value < 0 ? 0u - (u32)value : (u32)value, 10);
}

void print(const char *format, ...)
{
    __builtin_va_list values;
    __builtin_va_start(values, format);
    while (*format) {
        usize plain = 0;
        while (format[plain] && format[plain] != '%')
            plain++;
        uart_write(format, plain);
        format += plain;
        if (!*format)
            break;
        char letter;
        switch (format[1]) {
        case 's':
            put_text(__builtin_va_arg(values, const char *));
            break;
        case 'c':
            letter = (char)__builtin_va_arg(values, int);
            uart_write(&letter, 1);
            break;
        case 'u':
            put_number(__builtin_va_arg(values, unsigned), 10);
            break;
        case 'd':
            put_signed(__builtin_va_arg(values, int));
            break;
        case 'x':
            put_number(__builtin_va_arg(values, unsigned), 16);
            break;
        default:
            uart_write("%", 1);
            break;
        }
        format += 2;
    }
    __builtin_va_end(values);
}
