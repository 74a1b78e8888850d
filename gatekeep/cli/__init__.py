"""One file a command; the only place that wires real edges together."""
