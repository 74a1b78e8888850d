#define CUT(pointer) ((int)(pointer))
#define LARGER(a, b) ((a) > (b) ? (a) : (b))
