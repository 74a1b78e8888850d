"""The store: evidence that outlives a run. Database rows never leave this room. Imports model and errors."""
