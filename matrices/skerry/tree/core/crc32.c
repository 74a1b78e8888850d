#include "crc32.h"

/* Four bits at a time: a table of 64 bytes instead of 1024 suits the smallest flash. */
static const u32 nibbles[16] = {
    0x00000000, 0x1db71064, 0x3b6e20c8, 0x26d930ac, 0x76dc4190, 0x6b6b51f4, 0x4db26158, 0x5005713c,
    0xedb88320, 0xf00f9344, 0xd6d6a3e8, 0xcb61b38c, 0x9b64c2b0, 0x86d3d2d4, 0xa00ae278, 0xbdbdf21c,
};

u32 crc32(const u8 *bytes, usize count)
{
    u32 crc = 0xffffffffu;
    while (count--) {
        crc ^= *bytes++;
        crc = nibbles[crc & 15] ^ crc >> 4;
        crc = nibbles[crc & 15] ^ crc >> 4;
    }
    return ~crc;
}
