"""The bare page, served as the public's pages are, by settings of its own: their baseline."""

from __future__ import annotations

import gc
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from streamlit import config
from streamlit.logger import set_log_level
from streamlit.starlette import App

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

_SETTINGS = {
    "browser.gatherUsageStats": False,
    "runner.magicEnabled": False,
    "runner.postScriptGC": False,
    "server.disconnectedSessionTTL": 10,
    "server.fileWatcherType": "none",
    "server.headless": True,
}


@asynccontextmanager
async def _ready(_: App) -> AsyncIterator[None]:
    import plotly.graph_objects  # noqa: F401 - what its page needs

    gc.collect()
    gc.freeze()
    yield


app = App(Path(__file__).with_name("bare_page.py"), lifespan=_ready)
for name, value in _SETTINGS.items():
    config.set_option(name, value)
set_log_level("error")
