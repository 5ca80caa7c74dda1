"""Assessment: everything in one call. A case, a month, or what is in a file.

assess      a case
Assessment  all that was computed for it
Window      the span it looks at
NoReadings  nobody measured in it
load_unit   a unit's record from its downloads
inputs      every file a case rests on
room_unit   the unit that shows the room
monthly     a unit over a calendar month
inspection  what is in a download
results     the canonical result and its schema
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
