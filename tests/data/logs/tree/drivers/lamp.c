#include "lamp.h"
#warning "no dimmer yet"
struct lamp;
int light(struct lamp *lamp)
{
	struct socket socket;
	retrun 3;
	return lamp->level + undeclared;
}
