$(error no board is set)
