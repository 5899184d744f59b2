"""What the tests of the pages of modelled catch rates share."""

from __future__ import annotations

import json
from dataclasses import replace

import pyarrow as pa

from analytics.bulletin import archive
from analytics.catch_rates.schemas import RATE_SCHEMAS
from analytics.wording import bulletin_index
from tests.app.sample_bulletin import NOW, make
from tests.store_faults import write_card


def plain(said):
    """Return words without the marks that keep Markdown harmless."""
    return said.replace("\\", "").replace("\u00a0", " ")


def with_tables(index, /, **lines):
    """Return the sample with other lines in some tables."""
    made = {
        name: pa.Table.from_pylist(found, schema=RATE_SCHEMAS[name])
        for name, found in lines.items()
    }
    return bulletin_index.index_bulletin(
        replace(index.bulletin, rates={**index.bulletin.rates, **made})
    )


def old_archive(folder, *lacking):
    """Keep the sample as a program would have that did not know some tables."""
    bulletin = make(NOW)
    archive.save(folder, bulletin)
    path = folder / bulletin.card.bulletin / archive.CARD_FILE
    card = json.loads(path.read_text())
    card["tables"] = [name for name in card["tables"] if name not in lacking]
    write_card(path, json.dumps(card))
    return folder
