all:
	@echo half way; false
