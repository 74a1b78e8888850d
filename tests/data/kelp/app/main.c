#include "kelp.h"

static struct ring ring;
unsigned short sum = 1;

void start(void)
{
    static const unsigned char greeting[] = "kelp";
    for (unsigned i = 0; i < sizeof greeting; i++)
        ring_put(&ring, greeting[i]);
    sum = crc16(ring.bytes, ring.head);
    for (;;)
        ;
}
