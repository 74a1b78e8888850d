/* For boards without a gauge. */
#include "tide.h"

s32 tide_height_mm(void)
{
    return 0;
}
