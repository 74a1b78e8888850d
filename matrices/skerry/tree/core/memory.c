#include "memory.h"

void *memcpy(void *to, const void *from, usize count)
{
    u8 *out = to;
    const u8 *in = from;
    while (count--)
        *out++ = *in++;
    return to;
}

void *memset(void *to, int value, usize count)
{
    u8 *out = to;
    while (count--)
        *out++ = (u8)value;
    return to;
}

int memcmp(const void *left, const void *right, usize count)
{
    const u8 *one = left, *other = right;
    for (; count; count--, one++, other++)
        if (*one != *other)
            return *one - *other;
    return 0;
}
