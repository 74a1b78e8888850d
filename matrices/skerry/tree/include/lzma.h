#ifndef SKERRY_LZMA_H
#define SKERRY_LZMA_H

#include "types.h"

/*
 * Unpacks a raw LZMA stream with lc=0, lp=0, pb=0 into exactly `out_count` bytes. The output is the dictionary.
 * False when the stream is damaged or ends early.
 */
bool lzma_decode(const u8 *in, usize in_count, u8 *out, usize out_count);

#endif
