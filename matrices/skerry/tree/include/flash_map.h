#ifndef SKERRY_FLASH_MAP_H
#define SKERRY_FLASH_MAP_H

#include "types.h"

/* A range of the flash part that may hold a payload. */
struct flash_area {
    const char *name;
    const u8 *start;
    const u8 *end;
};

/* In the order in which they are tried; an area that the board does not have is empty. */
extern const struct flash_area flash_areas[2];

#endif
