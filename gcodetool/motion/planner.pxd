from libc.math cimport acos, atan2, ceil, cos, fabs, floor, sin, sqrt
