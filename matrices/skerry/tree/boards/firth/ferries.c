#include "types.h"

/* When the ferries leave, in minutes after midnight; of this season. */
const u16 ferries[] __attribute__((used, retain)) = {
    455, 510, 565, 570, 625, 640, 860, 935, 975, 995, 1000, 1060, 1070, 1180, 1215,
};
