"""The `roadworn` command.

Two settings must be in place before typer is imported, so they stand here: a command lives for
a tenth of a second, and each of them would cost it a tenth of that.
"""

import gc
import os

# pydantic looks through every installed package for plugins of its own; Roadworn has no use
# for them.
os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
# Importing makes many objects and no garbage, so looking for some on the way finds none.
gc.set_threshold(200_000)
