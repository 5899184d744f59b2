"""Who publishes documents, whom to ask and when the next comes: a small file beside the data."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, fields
from pathlib import Path

from analytics.errors import UsageError

#: In the store's folder for work under way, which no estimate reads.
FILE = Path("desk") / "imprint.toml"
_LONGEST = 300


@dataclass(frozen=True, slots=True)
class Imprint:
    """What a document says of its publisher; each is empty where it is not given.

    Parameters
    ----------
    publisher : str
        Who answers for the figures.
    contact : str
        Whom to ask.
    next_release : str
        When the next bulletin comes, in words.
    """

    publisher: str = ""
    contact: str = ""
    next_release: str = ""


def read_imprint(store: Path | str) -> Imprint:
    """Return the imprint of a store; one without its file has none.

    Raises
    ------
    UsageError
        If the file cannot be read, or holds what is not known.
    """
    path = Path(store) / FILE
    allowed = [one.name for one in fields(Imprint)]
    try:
        given = tomllib.loads(path.read_text("utf-8"))
    except FileNotFoundError:
        return Imprint()
    except (OSError, ValueError) as error:
        raise UsageError(f"{path} cannot be read: {error}; correct it or take it away") from error
    for key, words in given.items():
        if key not in allowed or not isinstance(words, str) or len(words) > _LONGEST:
            raise UsageError(
                f"{path}: {key}; allowed: {', '.join(allowed)}, each a text of at most {_LONGEST} "
                "characters"
            )
    return Imprint(**given)
