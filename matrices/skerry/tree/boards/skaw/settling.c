#include "types.h"

/* How far the platform has sunk since it was set down, in mm; by the survey of each quarter. */
const struct survey {
    u16 year;
    u8 quarter, sunk_mm;
} surveys[] __attribute__((used, retain)) = {
    {2025, 2, 61},
    {2025, 3, 63},
    {2025, 4, 64},
    {2026, 1, 64},
    {2026, 2, 66},
};
