"""The root of every error that evenstroke raises on purpose, and the tree below it.

    EvenstrokeError                 never raised itself
    ├── ProtocolUseError            our side broke the wire format (evenstroke_protocol)
    ├── DeviceProtocolError         the board broke it, or speaks another version
    ├── SetupError                  the set-up file (evenstroke_dsp.setup)
    ├── DangerError                 a dangerous set-up without its acknowledgement (evenstroke_dsp.cautions)
    ├── CaptureError                a capture as CSV (evenstroke_replay.capture_csv)
    ├── RecordingError              a recording (evenstroke_replay)
    ├── OutputError                 a file that was asked for cannot be written (evenstroke_replay.whole_file)
    ├── ExportError             a format cannot hold what was measured, or needs a library (evenstroke_replay.export_plan)
    ├── KeyFileError                a key by which computers know each other (evenstroke_replay.key_folder)
    ├── ShelfError                  the shelf of known-goods (evenstroke_replay.shelf)
    ├── RigError                    the virtual rig was asked for something impossible (evenstroke_replay)
    ├── LinkError                   the port or the board behind it (evenstroke_daemon.link)
    ├── SelfcheckError              something that a self-check looked at does not hold (evenstroke_daemon.command_selfcheck)
    ├── ServiceError                sockets, control, publishing (evenstroke_daemon)
    └── ViewerError                 the window, and what it needs (evenstroke_viewer.command_watch)

Anything else that escapes is a bug. Each error says where, what was expected,
what was found and what to do; only the command line turns one into an exit code.
"""

from __future__ import annotations


class EvenstrokeError(Exception):
    """A mistake or a failure that a user can do something about.

    where: the file, key path, line and column, port or byte offset.
    expected, found: what should have been there and what was.
    todo: what the user can do next.
    """

    def __init__(
        self, problem: str, *, where: str = "", expected: str = "", found: str = "", todo: str = ""
    ) -> None:
        super().__init__(problem)
        self.problem = problem
        self.where = where
        self.expected = expected
        self.found = found
        self.todo = todo

    def __str__(self) -> str:
        lines = [f"{self.where}: {self.problem}" if self.where else self.problem]
        if self.expected:
            lines.append(f"  expected: {self.expected}")
        if self.found:
            lines.append(f"  found:    {self.found}")
        if self.todo:
            lines.append(f"  do this:  {self.todo}")
        return "\n".join(lines)


class ProtocolUseError(EvenstrokeError):
    """Our side asked the encoder for a frame that the specification forbids."""


class DeviceProtocolError(EvenstrokeError):
    """The board breaks the specification in a way that no retry mends."""
