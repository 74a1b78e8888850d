#ifndef SKERRY_CONTAINER_H
#define SKERRY_CONTAINER_H

#include "flash_map.h"

/*
 * A payload in flash, as tools/compose.py writes it. All numbers are big-endian.
 *
 *    0  magic "SKST"          16  entry address, 64 bits      32  CRC-32 of the unpacked payload
 *    4  format version        24  unpacked bytes              36  CRC-32 of bytes 0 to 35
 *    8  load address, 64 bits 28  packed bytes                40  the LZMA stream
 */
#define CONTAINER_HEADER_BYTES 40
#define CONTAINER_VERSION 1

enum container_state {
    CONTAINER_GOOD,
    CONTAINER_ABSENT,
    CONTAINER_BAD_HEADER,
    CONTAINER_DOES_NOT_FIT,
    CONTAINER_DAMAGED,
};

/* Checks the container in an area and unpacks it to its load address; `entry` is set when it is good. */
enum container_state container_unpack(const struct flash_area *area, uptr *entry);

#endif
