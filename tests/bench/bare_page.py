"""Two Streamlit pages with one figure and one switch each: the baseline of visits to our pages."""

import plotly.graph_objects as go
import streamlit as st

NAMES = ["one", "two", "three"]


def draw(title: str) -> None:
    """Draw a page."""
    st.title(title)
    name = st.segmented_control("Figure", NAMES, required=True, key="show", default="one")
    step = 1 + NAMES.index(name or "one")
    figure = go.Figure(go.Scatter(y=[(step * at * 7) % 11 for at in range(15)]))
    st.plotly_chart(figure, key=f"chart-{title}")


def first() -> None:
    """Draw the first page."""
    draw("First")


def second() -> None:
    """Draw the second page."""
    draw("Second")


st.set_page_config(layout="wide")
st.navigation([st.Page(first), st.Page(second)], position="top").run()
