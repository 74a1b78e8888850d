const char table[4000] = {1, 2};
const char other[2000] __attribute__((section(".second"))) = {1, 2};
char preset[10] = {1};
char buffer[5000];
int main(void) { return buffer[2] + preset[1] + table[3] + other[1]; }
void _start(void) { main(); }
