#include "kelp.h"

unsigned short crc16(const unsigned char *bytes, unsigned count)
{
    unsigned short crc = 0xffff;
    while (count--) {
        crc ^= (unsigned short)(*bytes++ << 8);
        for (int bit = 0; bit < 8; bit++)
            crc = (unsigned short)(crc & 0x8000 ? (crc << 1) ^ 0x1021 : crc << 1);
    }
    return crc;
}
