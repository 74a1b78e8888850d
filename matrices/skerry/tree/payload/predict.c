#include "predict.h"

/* 32767 * sin, for a quarter of a turn in 32 steps. */
static const u16 quarter_sine[33] = {
    0,     1608,  3212,  4808,  6393,  7962,  9512,  11039, 12539, 14010, 15446, 16846, 18204, 19519, 20787, 22005, 23170,
    24279, 25329, 26319, 27245, 28105, 28898, 29621, 30273, 30852, 31356, 31785, 32137, 32412, 32609, 32728, 32767,
};

/* The fold of a turn into a quarter keeps the table small; the steps are a fifth of what the float can resolve. */
static s32 sine(u32 angle)
{
    u32 step = angle >> 25;
    u32 in_quarter = step & 31;
    u32 quarter = step >> 5;
    s32 value = quarter_sine[quarter & 1 ? 32 - in_quarter : in_quarter];
    return quarter & 2 ? -value : value;
}

s32 predict_height_mm(u32 minutes)
{
    s32 height = 0;
    for (u32 index = 0; index < constituent_count; index++) {
        const struct constituent *part = &constituents[index];
        height += part->amplitude_mm * sine(part->phase + part->speed * minutes) / 32767;
    }
    return height;
}
