all:
  spaces, not a tab
