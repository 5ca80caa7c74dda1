from .line import Front as Front
from .line import Line as Line
from .page import page as page
