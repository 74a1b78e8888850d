#ifndef SKERRY_MEMORY_H
#define SKERRY_MEMORY_H

#include "types.h"

/* The compiler calls these by itself, so they keep the names and the meaning that C gives them. */
void *memcpy(void *to, const void *from, usize count);
void *memset(void *to, int value, usize count);
int memcmp(const void *left, const void *right, usize count);

#endif
