from libc.math cimport exp, fabs, log, sqrt
from libc.math cimport pow as power
