"""The pages as ``blackmouth open`` serves them, to one person or to a team: behind the guard."""

from __future__ import annotations

from pathlib import Path

from starlette.middleware import Middleware
from streamlit.starlette import App

from dashboard.http_guard import Guard

app = App(Path(__file__).parent / "app.py", middleware=[Middleware(Guard)])
