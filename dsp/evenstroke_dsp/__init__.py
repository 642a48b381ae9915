"""Engine and set-up description, streaming stages, cycles, cylinders and the judgement. No I/O, no clock."""
