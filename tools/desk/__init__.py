"""The desk: people look at readings in their browser, and confirm or correct them."""
