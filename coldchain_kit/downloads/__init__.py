"""Downloads: from the file you have to a unit on UTC. Layout worked out, clock settled, several downloads joined.

read        a download as it stands in the file
describe    its layout in plain words
toml_lines  the TOML that pins it
Download    what a reader hands on
Column      one column of it
Hints       what the register knows of a layout
Placed      a download on UTC
place       a download's local times as UTC, with what is doubtful about them
join        a unit's downloads put together
beside      a unit's loggers put beside each other
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
