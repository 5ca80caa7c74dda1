from .public import KitError as KitError
from .public import Trace as Trace
from .public import assess as assess
from .public import coverage as coverage
from .public import degree_minutes as degree_minutes
from .public import freeze as freeze
from .public import gaps as gaps
from .public import mean_kinetic_temperature as mean_kinetic_temperature
from .public import minutes_beyond as minutes_beyond
from .public import month as month
from .public import read as read
from .public import sample_site as sample_site
from .public import verify as verify

__version__: str
