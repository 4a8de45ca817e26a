"""Keys of one's own: `keys.toml` in the user's configuration folder maps binding ids to keys.

"app.help" = "h"
"step.import" = "ctrl+i"
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from commission.model.units import clean_text


def keys_file() -> Path:
    """Where the file is looked for."""
    from platformdirs import user_config_path

    return user_config_path("commission", appauthor=False) / "keys.toml"


def load_keys(path: Path | None = None) -> tuple[dict[str, str], str | None]:
    """(binding id → key, one sentence on what is wrong with the file)."""
    path = path or keys_file()
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}, None
    except (OSError, ValueError, RecursionError) as error:
        return {}, f"{path.name}: not read ({clean_text(str(error))}); the usual keys apply."
    wrong = [key for key, value in data.items() if not isinstance(value, str)]
    if wrong:
        return (
            {},
            f'{path.name}: found {clean_text(wrong[0])} that is no text, expected lines such as "app.help" = "h".',
        )
    return data, None
