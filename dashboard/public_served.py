"""The pages served to the public: ``uvicorn dashboard.public_served:app``."""

from __future__ import annotations

import gc
from contextlib import asynccontextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.middleware import Middleware
from streamlit import config
from streamlit.logger import set_log_level
from streamlit.starlette import App

from dashboard.http_guard import Assets, Guard

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

#: Nothing is uploaded, no fault is shown, sessions that lost their browser are soon forgotten. A
#: look for garbage after every page would take ten times as long as the page: it is done as the
#: garbage grows.
SETTINGS = {
    "browser.gatherUsageStats": False,
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "runner.magicEnabled": False,
    "runner.postScriptGC": False,
    "server.allowedHosts": [],
    "server.enableXsrfProtection": True,
    "server.maxUploadSize": 1,
    "server.maxWidgetStateSize": 1,
    "server.disconnectedSessionTTL": 10,
    "server.fileWatcherType": "none",
    "server.headless": True,
}


@asynccontextmanager
async def ready(_: App) -> AsyncIterator[None]:
    """Set aside what is in memory before the first visitor.

    Libraries make some 130,000 objects that stay for ever; a look through them for garbage takes
    ten times as long as a page.
    """
    import dashboard.public_pages.drawing  # noqa: F401, PLC0415 - what pages need, before anybody asks

    gc.collect()
    gc.freeze()
    yield


app = App(
    Path(__file__).parent / "public_app.py",
    middleware=[Middleware(Guard), Middleware(Assets)],
    lifespan=ready,
)
for name, value in SETTINGS.items():
    config.set_option(name, value)
set_log_level("error")
