"""Findings and cases, with what people do about them, and the changes behind them."""
