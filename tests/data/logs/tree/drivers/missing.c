#include "not_there.h"
