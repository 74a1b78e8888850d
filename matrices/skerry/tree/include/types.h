#ifndef SKERRY_TYPES_H
#define SKERRY_TYPES_H

/* Sizes come from the compiler: Skerry has no C library. */
typedef __UINT8_TYPE__ u8;
typedef __UINT16_TYPE__ u16;
typedef __UINT32_TYPE__ u32;
typedef __UINT64_TYPE__ u64;
typedef __INT16_TYPE__ s16;
typedef __INT32_TYPE__ s32;
typedef __UINTPTR_TYPE__ uptr;
typedef __SIZE_TYPE__ usize;

#define bool _Bool
#define true 1
#define false 0

#define COUNT_OF(array) (sizeof(array) / sizeof((array)[0]))

#endif
