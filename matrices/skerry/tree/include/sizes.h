#ifndef SKERRY_SIZES_H
#define SKERRY_SIZES_H

/* How many events of the boot are kept for the payload. */
#define RECORD_SLOTS 16

/* How often a driver asks a device before it gives up. */
#define POLL_LIMIT 1000

#endif
