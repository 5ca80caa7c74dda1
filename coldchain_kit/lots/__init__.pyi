from .judging import assess as assess
from .judging import earlier as earlier
