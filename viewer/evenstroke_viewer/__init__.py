"""Reads the published stream: subscriber and view model without a screen, windows above them."""
