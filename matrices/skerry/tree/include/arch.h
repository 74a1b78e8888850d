#ifndef SKERRY_ARCH_H
#define SKERRY_ARCH_H

#include "types.h"

/* What every port provides in arch/<port>/cpu.c. */

extern const char arch_name[];

/* Makes code that was just written to memory fit to be run. */
void arch_sync_code(void *start, usize count);

/* Waits for ever, as cheaply as the processor can. */
void arch_halt(void) __attribute__((noreturn));

#endif
