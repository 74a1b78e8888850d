all:
	./no-such-program
