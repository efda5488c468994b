"""Small statistics on a stream: one sample at a time, constant memory, nothing but the standard library and numpy."""
