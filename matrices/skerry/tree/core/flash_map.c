#include "flash_map.h"

/* The linker script says where they are. */
extern const u8 main_start[], main_end[], recovery_start[], recovery_end[];

const struct flash_area flash_areas[2] = {
    {"main", main_start, main_end},
    {"recovery", recovery_start, recovery_end},
};
