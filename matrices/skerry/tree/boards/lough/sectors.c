#include "types.h"

/* Sectors of the light, in degrees as seen from the sea. */
const struct sector {
    u16 from, to;
    char colour[8];
} sectors[] __attribute__((used, retain)) = {
    {0, 54, "white"},
    {54, 121, "red"},
    {121, 208, "white"},
    {208, 259, "green"},
    {259, 360, "dark"},
};
