int missing(void);
extern int absent;
int main(void)
{
	return missing() + absent;
}
void _start(void)
{
	main();
	missing();
}
