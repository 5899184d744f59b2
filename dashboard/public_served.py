"""The pages served to the public: ``streamlit run dashboard/public_served.py``."""

from __future__ import annotations

from pathlib import Path

from starlette.middleware import Middleware
from streamlit.starlette import App

from dashboard.http_guard import Guard

app = App(Path(__file__).parent / "public_app.py", middleware=[Middleware(Guard)])
