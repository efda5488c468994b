"""The configuration file: its tables, what they become, and what is said of mistakes in them."""
