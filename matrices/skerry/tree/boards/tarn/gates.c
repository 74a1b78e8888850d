#include "types.h"

/* Seconds that a gate takes to open and to shut. */
const struct gate {
    char name[8];
    u16 opens_s, shuts_s;
} gates[] __attribute__((used, retain)) = {
    {"upper", 148, 171},
    {"lower", 133, 160},
    {"bypass", 41, 44},
};
