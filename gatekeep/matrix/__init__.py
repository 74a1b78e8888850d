"""YAML to model, with file:line:column in every error. Imports model and errors."""
