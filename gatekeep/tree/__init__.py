"""Git: commits, trees, diffs and line maps. Imports model and errors; the only room that talks to git."""
