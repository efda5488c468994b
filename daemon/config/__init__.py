"""The configuration file: its tables, what they become, and what is said of mistakes in them."""

import os

# Looking for plugins of pydantic opens every installed package; it has none here, and costs a tenth of every command.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
