"""The pages a person looks at. Reads the store, asks the daemon through requests, and decides nothing itself."""

import sys

# FastAPI asks of every model whether it is one of pydantic's old kind, and would load all of that for the question. We have
# none, and an import that fails answers it as well: this is a fiftieth of the daemon's memory.
sys.modules.setdefault("pydantic.v1", None)  # type: ignore[arg-type]
