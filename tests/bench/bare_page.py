"""A Streamlit page with one figure and one switch: the baseline of visits to our pages."""

import plotly.graph_objects as go
import streamlit as st

st.set_page_config(layout="wide")
st.title("Bare")
NAMES = ["one", "two", "three"]
name = st.segmented_control("Figure", NAMES, required=True, key="show", default="one")
step = 1 + NAMES.index(name or "one")
st.plotly_chart(go.Figure(go.Scatter(y=[(step * at * 7) % 11 for at in range(15)])), key="chart")
