#include "gauge.h"

int read_level(int channel);

int scale(void *sensor, unsigned count)
{
	int unused;
	int address = CUT(sensor);
	for (int i = 0; i < count; i++)
		address += read_level(i);
	if (address = 3)
		return 1;
	return LARGER(address, count);
}

int no_return(void)
{
}
