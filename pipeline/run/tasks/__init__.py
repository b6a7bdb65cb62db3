"""The units of work: pure functions of files and settings, safe to send anywhere.

A failure that belongs to one capture comes back as a finding of that capture. Workers
are forked from a process that has imported all of it, and nothing else.
"""

from pipeline.run.tasks.ahead import (
    Ahead,
    Early,
    describe_early,
    locate_early,
    measure_early,
    write_early,
)
from pipeline.run.tasks.blend import BlendTask, Part, measure_blend, sum_parts
from pipeline.run.tasks.cut import Cut, cut_capture, cut_of
from pipeline.run.tasks.describe import DescribeTask, describe_di
from pipeline.run.tasks.locate import LocateResult, LocateTask, locate_capture
from pipeline.run.tasks.look import Fingerprint, fingerprint
from pipeline.run.tasks.loopback import LoopResult, locate_loopback
from pipeline.run.tasks.measure import MeasureResult, MeasureTask, measure_capture
from pipeline.run.tasks.rejection import sound
from pipeline.run.tasks.relate import RelateResult, RelateTask, relate_pass
from pipeline.run.tasks.write import OutputFile, WriteTask, write_capture

__all__ = [
    "Ahead",
    "BlendTask",
    "Cut",
    "DescribeTask",
    "Early",
    "Fingerprint",
    "LocateResult",
    "LocateTask",
    "LoopResult",
    "MeasureResult",
    "MeasureTask",
    "OutputFile",
    "Part",
    "RelateResult",
    "RelateTask",
    "WriteTask",
    "cut_capture",
    "cut_of",
    "describe_di",
    "describe_early",
    "fingerprint",
    "locate_capture",
    "locate_early",
    "locate_loopback",
    "measure_blend",
    "measure_capture",
    "measure_early",
    "relate_pass",
    "sound",
    "sum_parts",
    "write_capture",
    "write_early",
]
