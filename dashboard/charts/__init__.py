"""Figures: pure plotly, no streamlit."""
