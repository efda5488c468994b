"""Everything that touches the outside: sources, the pipeline, the store, alarms and outlets."""

import os

# Looking for plugins of pydantic opens every installed package; it has none here, and costs a tenth of every command.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
