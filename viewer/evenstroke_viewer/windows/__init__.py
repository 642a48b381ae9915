"""The windows: thin, since what they show is worked out beside them without Qt.

VIEWS lists every view, in the order of its key: module, class. A view is a subclass of `view.View`.
"""

VIEWS: tuple[tuple[str, str], ...] = (
    ("words_view", "WordsView"),
    ("wheel_view", "WheelView"),
    ("carpet_view", "CarpetView"),
    ("strip_view", "StripView"),
    ("probes_view", "ProbesView"),
    ("folded_view", "FoldedView"),
    ("setup_view", "SetupView"),
    ("two_recordings_view", "TwoRecordingsView"),
)
