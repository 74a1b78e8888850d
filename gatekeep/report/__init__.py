"""
What people and machines read: terminal, JSON, Markdown.

Rendering is pure and takes a judgement; one module writes files, one shows progress. Imports model only.
"""
