#ifndef SKERRY_TIDE_H
#define SKERRY_TIDE_H

#include "types.h"

/* The sensor's label: zero in mm (signed), scale in 1/1024 mm per count, serial number; each little-endian. */
#define CALIBRATION_BYTES 6

/* Height of the water over chart datum in mm, as measured when the driver was started; 0 without a sensor. */
s32 tide_height_mm(void);

#endif
