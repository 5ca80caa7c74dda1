"""The rows of the results, each field with meaning, unit and source.

``given``: what was given and whether it can be believed; ``found``: what happened, how bad, why; ``goods``: lots and
the whole. ``shape`` makes the JSON Schema and the glossary of fields from them.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
