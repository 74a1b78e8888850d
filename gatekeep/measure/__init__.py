"""What a build left: ELF and hex images, archives, regions, symbols, diagnostics. Imports model and errors."""
