"""Simulate: a thermal simulator with the cause and the truth beside each trace.

run         a simulated stretch
Simulation  what came out, with its truth
Cabinet     a cabinet
Event       what happens to it
SimProbe    a probe in it
cabinet     a usual one
draw        a random one
RANGES      the range of each parameter
STEP_S      the step of the simulator [s]
tern_bay    writes the sample site
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
