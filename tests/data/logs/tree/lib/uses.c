int sound_horn(void);
int main(void) { return sound_horn(); }
