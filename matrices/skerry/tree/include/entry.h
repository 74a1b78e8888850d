#ifndef SKERRY_ENTRY_H
#define SKERRY_ENTRY_H

#include "types.h"

void skerry_entry(void) __attribute__((noreturn));
void skerry_main(void) __attribute__((noreturn));

#endif
