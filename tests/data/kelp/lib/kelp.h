#ifndef KELP_H
#define KELP_H

struct ring {
    unsigned char bytes[64];
    unsigned head, tail;
};

int ring_put(struct ring *ring, unsigned char byte);
int ring_get(struct ring *ring);
unsigned short crc16(const unsigned char *bytes, unsigned count);

#endif
