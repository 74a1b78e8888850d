#ifndef SKERRY_DRIVER_H
#define SKERRY_DRIVER_H

#include "board.h"

/* A driver is started by being linked: the linker script collects these into one table. */
struct driver {
    const char *name;
    bool (*start)(const struct board *board);
};

#define DRIVER(driver_name, driver_start)                                                                              \
    static const struct driver driver_name##_driver                                                                    \
        __attribute__((used, retain, section(".drivers"), aligned(sizeof(void *)))) = {#driver_name, driver_start}

bool clock_start(const struct board *board);

#endif
