"""The wire format between a board and evenstroke: sans-IO decoder and encoder (see SPEC.md)."""
