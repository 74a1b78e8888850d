	.text
	.global _start
_start:
	bogus r1
	.warning "the stack is small"
