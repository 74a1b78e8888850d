"""What people and machines read: terminal, JSON, Markdown. Rendering is pure; one module writes files. Imports model."""
