"""The user's own keys: `keys.toml` in the configuration folder maps binding ids to keys.

"app.help" = "h"
"step.import" = "ctrl+i"
"""

from __future__ import annotations

import os
from pathlib import Path

from commission.model.errors import InputError
from commission.model.outside_files import read_outside
from commission.model.toml_text import read_toml
from commission.model.units import clean_text

LARGEST_BYTES = 100_000


def keys_file() -> Path:
    """The path of the file of keys."""
    from platformdirs import user_config_path

    return user_config_path("commission", appauthor=False) / "keys.toml"


def load_keys(path: Path | None = None) -> tuple[dict[str, str], str | None]:
    """(binding id → key, one sentence on mistakes in the file)."""
    path = path or keys_file()
    if not os.path.lexists(path):
        return {}, None
    expected = 'lines such as "app.help" = "h"'
    try:
        text = read_outside(path, "keys", largest_bytes=LARGEST_BYTES, where=path.name).decode("utf-8")
        data = read_toml(text, path.name, expected)
    except InputError as error:
        return {}, f"{error} The usual keys apply."
    except UnicodeDecodeError:
        return {}, f"{path.name}: found text that is not UTF-8, expected {expected}. The usual keys apply."
    wrong = [key for key, value in data.items() if not isinstance(value, str)]
    if wrong:
        return (
            {},
            f"{path.name}: found {clean_text(wrong[0])} that is not text, expected {expected}.",
        )
    return data, None
