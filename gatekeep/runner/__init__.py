"""Which jobs there are, in which order, and who runs them. Imports build, history, model."""
