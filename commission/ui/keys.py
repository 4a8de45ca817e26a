"""Keys of one's own: `keys.toml` in the user's configuration folder maps binding ids to keys.

"app.help" = "h"
"step.import" = "ctrl+i"
"""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

from commission.model.errors import InputError
from commission.model.outside_files import read_outside
from commission.model.units import clean_text

LARGEST_BYTES = 100_000


def keys_file() -> Path:
    """Where the file is looked for."""
    from platformdirs import user_config_path

    return user_config_path("commission", appauthor=False) / "keys.toml"


def load_keys(path: Path | None = None) -> tuple[dict[str, str], str | None]:
    """(binding id → key, one sentence on what is wrong with the file)."""
    path = path or keys_file()
    if not os.path.lexists(path):
        return {}, None
    try:
        data = tomllib.loads(read_outside(path, "keys", largest_bytes=LARGEST_BYTES, where=path.name).decode("utf-8"))
    except InputError as error:
        return {}, f"{error} The usual keys apply."
    except (ValueError, RecursionError) as error:
        return {}, f"{path.name}: not read ({clean_text(str(error))}); the usual keys apply."
    wrong = [key for key, value in data.items() if not isinstance(value, str)]
    if wrong:
        return (
            {},
            f'{path.name}: found {clean_text(wrong[0])} that is no text, expected lines such as "app.help" = "h".',
        )
    return data, None
