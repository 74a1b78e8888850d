#ifndef SKERRY_PRINT_H
#define SKERRY_PRINT_H

#include "types.h"

/* Writes to the console. Knows %s, %c, %u, %d, %x and %%, without widths. */
void print(const char *format, ...) __attribute__((format(printf, 1, 2)));

#if SKERRY_DEBUG
#define debug(...) print("debug: " __VA_ARGS__)
#else
#define debug(...) ((void)0)
#endif

#endif
