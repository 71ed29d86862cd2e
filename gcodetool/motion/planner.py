"""Look-ahead planners: rows of a file become seconds, as each firmware plans them.

One compiled class, three sets of rules, chosen by dialect: Klipper (square corner velocity,
minimum cruise ratio), Marlin (junction deviation or classic jerk, whole steps) and RepRapFirmware
(jerk per axis, join policies).  ``docs/motion.md`` states the rules; the letters in the comments
here are its sections.

Moves wait in a queue of columns until later moves can no longer change them.  To know which those
are, the backward pass runs from both extreme ends that the unread rest of the file could have: a
stop, and no limit at all.  From where both agree, everything earlier is final.  The pass runs when
the queue has grown by a batch, so each move is looked at about twice.  A queue that reaches its cap
without agreement plans its first half as if the machine stopped after the queue; ``capped`` counts
these.

Squared speeds end in ``_v2``.  Left out: positions outside a kilometre (``refused``), mesh levelling,
input shaping, hosts that cannot keep the queue full.
"""

from array import array
from typing import Final

import cython
from cython.cimports.libc.math import acos, atan2, ceil, cos, fabs, floor, sin, sqrt

COMPILED: Final = cython.compiled

# Places in the array of limits that each dialect's ``Limits`` shares with the planner, and their numbers
# as C integers.  Speeds are in mm/s here whatever unit the firmware's own words have.
# fmt: off
# retract_length below 0: no [firmware_retraction], so G10 and G11 are unknown.
KLIPPER_LIMITS: Final = (
    "max_velocity", "max_accel", "max_z_velocity", "max_z_accel", "square_corner_velocity",
    "minimum_cruise_ratio", "max_extrude_only_velocity", "max_extrude_only_accel",
    "instantaneous_corner_velocity", "arc_resolution", "retract_length", "retract_speed",
    "unretract_extra_length", "unretract_speed",
)
cython.declare(
    _K_V=cython.int, _K_A=cython.int, _K_ZV=cython.int, _K_ZA=cython.int, _K_CORNER=cython.int,
    _K_RATIO=cython.int, _K_EV=cython.int, _K_EA=cython.int, _K_E_STEP=cython.int, _K_ARC=cython.int,
    _K_BACK=cython.int, _K_BACK_V=cython.int, _K_EXTRA=cython.int, _K_FORTH_V=cython.int,
)
(
    _K_V, _K_A, _K_ZV, _K_ZA, _K_CORNER, _K_RATIO, _K_EV, _K_EA, _K_E_STEP, _K_ARC, _K_BACK, _K_BACK_V,
    _K_EXTRA, _K_FORTH_V,
) = range(14)
# M205 J 0: a classic jerk build.  M207 S below 0: firmware retraction is not compiled in.
MARLIN_LIMITS: Final = (
    "M201 X", "M201 Y", "M201 Z", "M201 E", "M203 X", "M203 Y", "M203 Z", "M203 E",
    "M204 P", "M204 R", "M204 T", "M205 J", "M205 X", "M205 Y", "M205 Z", "M205 E", "M205 S", "M205 T",
    "M92 X", "M92 Y", "M92 Z", "M92 E", "M207 S", "M207 F", "M207 Z", "M208 S", "M208 F", "M900 K",
)
cython.declare(
    _M_AX=cython.int, _M_AY=cython.int, _M_AZ=cython.int, _M_AE=cython.int, _M_VX=cython.int,
    _M_VY=cython.int, _M_VZ=cython.int, _M_VE=cython.int, _M_P=cython.int, _M_R=cython.int,
    _M_T=cython.int, _M_J=cython.int, _M_JX=cython.int, _M_JY=cython.int, _M_JZ=cython.int,
    _M_JE=cython.int, _M_LEAST=cython.int, _M_LEAST_T=cython.int, _M_X=cython.int, _M_Y=cython.int,
    _M_Z=cython.int, _M_E=cython.int, _M_BACK=cython.int, _M_BACK_V=cython.int, _M_LIFT=cython.int,
    _M_EXTRA=cython.int, _M_FORTH_V=cython.int, _M_K=cython.int,
)
(
    _M_AX, _M_AY, _M_AZ, _M_AE, _M_VX, _M_VY, _M_VZ, _M_VE, _M_P, _M_R, _M_T, _M_J, _M_JX, _M_JY, _M_JZ,
    _M_JE, _M_LEAST, _M_LEAST_T, _M_X, _M_Y, _M_Z, _M_E, _M_BACK, _M_BACK_V, _M_LIFT, _M_EXTRA,
    _M_FORTH_V, _M_K,
) = range(28)
RRF_LIMITS: Final = (
    "M201 X", "M201 Y", "M201 Z", "M201 E", "M203 X", "M203 Y", "M203 Z", "M203 E",
    "M566 X", "M566 Y", "M566 Z", "M566 E", "M204 P", "M204 T", "M566 P", "M203 I",
    "M207 S", "M207 R", "M207 F", "M207 T", "M207 Z", "M572 S",
)
cython.declare(
    _R_AX=cython.int, _R_AY=cython.int, _R_AZ=cython.int, _R_AE=cython.int, _R_VX=cython.int,
    _R_VY=cython.int, _R_VZ=cython.int, _R_VE=cython.int, _R_JX=cython.int, _R_JY=cython.int,
    _R_JZ=cython.int, _R_JE=cython.int, _R_P=cython.int, _R_T=cython.int, _R_POLICY=cython.int,
    _R_LEAST=cython.int, _R_BACK=cython.int, _R_EXTRA=cython.int, _R_BACK_V=cython.int,
    _R_FORTH_V=cython.int, _R_LIFT=cython.int, _R_K=cython.int,
)
(
    _R_AX, _R_AY, _R_AZ, _R_AE, _R_VX, _R_VY, _R_VZ, _R_VE, _R_JX, _R_JY, _R_JZ, _R_JE, _R_P, _R_T,
    _R_POLICY, _R_LEAST, _R_BACK, _R_EXTRA, _R_BACK_V, _R_FORTH_V, _R_LIFT, _R_K,
) = range(22)
# fmt: on

FLOW_BINS: Final = 512  # of the histogram of volumetric flow, one row of them per tool
FLOW_BIN_MM3_S: Final = 0.125
# Per tool: retractions, travel, longest travel, forward path, longest retraction, how far the filament stands
# behind the furthest it was, filament of moves in X or Y (net).
TOOL_FIGURES: Final = 7
TABLE_COLUMNS: Final = 6  # line, kind, seconds up, at speed, down, speed at the start
QUEUE_CAP: Final = 100_000

# Kinds of a move, as in the move table.
FORWARD: Final = 1
ACROSS: Final = 2  # moves X or Y
BACKWARD: Final = 4

_MARLIN = cython.declare(cython.int, 0)
_KLIPPER = cython.declare(cython.int, 1)
_RRF = cython.declare(cython.int, 2)

# The ops of rows.py, again as C numbers.
_MOVE = cython.declare(cython.int, 1)
_ARC = cython.declare(cython.int, 2)
_RETRACT = cython.declare(cython.int, 4)
_UNRETRACT = cython.declare(cython.int, 5)
_HOME = cython.declare(cython.int, 6)
_ACCELERATION = cython.declare(cython.int, 8)
_SET_POSITION = cython.declare(cython.int, 10)

_BINS = cython.declare(cython.int, 512)
_BINS_PER_MM3_S = cython.declare(cython.double, 8.0)
_FIGURES = cython.declare(cython.int, 7)
_COLUMNS = cython.declare(cython.int, 6)

_PI = cython.declare(cython.double, 3.141592653589793)
_FAR = cython.declare(cython.double, 1.0e6)  # mm; no printer is larger, numbers beyond are mistakes
_SLOWEST = cython.declare(cython.double, 1.0e-3)  # mm/s; keeps every time finite
_UNBOUNDED = cython.declare(cython.double, 1.0e300)
_CORNER = cython.declare(cython.double, 0.41421356237309515)  # sqrt(2) - 1, A2

_MARLIN_MINIMUM_V2 = cython.declare(cython.double, 0.0025)  # (0.05 mm/s)^2, the planner's own floor
_MARLIN_RATE_FLOOR = cython.declare(cython.double, 120.0)  # steps/s, B4
_MARLIN_SHORTEST = cython.declare(cython.double, 6.0)  # steps, B0
_ROUNDING = cython.declare(cython.double, 1.0e-6)  # what falls short of a whole number by less is one
_RRF_CLOCK = cython.declare(cython.double, 750000.0)  # 1/s, C3


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def _floor(value: cython.double) -> cython.double:
    """Return the whole number below; a cast is faster than the library's floor. |value| < 2**62."""
    whole: cython.longlong = cython.cast(cython.longlong, value)
    below: cython.double = whole
    return below - 1.0 if below > value else below


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def _ceil(value: cython.double) -> cython.double:
    """Return the whole number above."""
    return -_floor(-value)


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def _within(value: cython.double, share: cython.double, limit: cython.double) -> cython.double:
    """Return *value*, lowered so that the size of *share* times it stays within *limit*."""
    if value * fabs(share) > limit:
        return limit / fabs(share)
    return value


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def _within_corner(
    a: cython.double, part: cython.double, w2: cython.double, limit: cython.double
) -> cython.double:
    """Return *a*, lowered so that its part along one axis, part/sqrt(w2), stays within *limit*."""
    if a * a * part * part > limit * limit * w2:
        return limit * sqrt(w2) / fabs(part)
    return a


@cython.cfunc
@cython.inline
@cython.nogil
@cython.exceptval(check=False)
def _jump(out: cython.double, into: cython.double) -> cython.double:
    """Return the step in one axis' speed; a reversal does not add up (B3b)."""
    if out * into < 0:
        return fabs(out) if fabs(out) > fabs(into) else fabs(into)
    return fabs(out - into)


@cython.final
@cython.cclass
class Planner:
    """The queue of one job's moves, and the sums they are counted into.

    Parameters
    ----------
    dialect : 0 Marlin, 1 Klipper, 2 RepRapFirmware.
    limits : array of double, in the order of the dialect's names above; shared, not copied.
    cap : moves that the queue may hold.
    batch : moves by which the queue grows between two passes.
    """

    dialect: cython.int
    cap: cython.Py_ssize_t
    batch: cython.Py_ssize_t
    limits: cython.double[::1]
    # the limits in force that every move needs, taken from `limits` at each `take` and M204; mm and seconds
    # Klipper
    max_velocity: cython.double
    max_accel: cython.double
    max_z_velocity: cython.double
    max_z_accel: cython.double
    max_extrude_velocity: cython.double
    max_extrude_accel: cython.double
    corner_v2: (
        cython.double
    )  # of a right angle's speed, times sqrt(2) - 1: junction deviation times acceleration
    mcr_accel: cython.double  # the softer acceleration of the minimum cruise ratio
    extruder_corner_velocity: cython.double
    # Marlin and RepRapFirmware
    max_accel_x: cython.double  # M201
    max_accel_y: cython.double
    max_accel_z: cython.double
    max_accel_e: cython.double
    max_speed_x: cython.double  # M203
    max_speed_y: cython.double
    max_speed_z: cython.double
    max_speed_e: cython.double
    jerk_x: cython.double  # M205, M566
    jerk_y: cython.double
    jerk_z: cython.double
    jerk_e: cython.double
    print_accel: cython.double  # M204 P
    travel_accel: cython.double  # M204 T
    min_speed: cython.double  # of printing moves (Marlin), of all (RepRapFirmware)
    pressure_advance: cython.double  # M900 K, M572 S
    # Marlin
    retract_accel: cython.double  # M204 R
    min_travel_speed: cython.double
    junction_deviation: cython.double  # 0: classic jerk
    steps_per_mm_x: cython.double
    steps_per_mm_y: cython.double
    steps_per_mm_z: cython.double
    steps_per_mm_e: cython.double
    max_step_accel_x: cython.double  # steps/s2
    max_step_accel_y: cython.double
    max_step_accel_z: cython.double
    max_step_accel_e: cython.double
    # sums, one place per bucket (a stretch of one layer and tool)
    bucket = cython.declare(cython.Py_ssize_t, visibility="public")
    moving_s: cython.double[::1]
    forward_s: cython.double[::1]
    waiting_s: cython.double[::1]
    fed_mm: cython.double[::1]
    forward_mm: cython.double[::1]
    last_s: cython.double[::1]
    height_mm: cython.double[::1]
    # demands of each tool
    slot = cython.declare(cython.Py_ssize_t, visibility="public")
    area = cython.declare(cython.double, visibility="public")
    histogram: cython.double[::1]
    figures: cython.double[::1]
    open_travel_mm: cython.double
    open_retraction_mm = cython.declare(
        cython.double, visibility="readonly"
    )  # mm back since the last forward
    # the move table, for those who ask
    tabled = cython.declare(cython.bint, visibility="public")
    rows_tabled = cython.declare(cython.Py_ssize_t, visibility="public")
    starved: cython.bint
    table: cython.double[::1]
    table_store: object
    # figures about the run
    moves = cython.declare(cython.longlong, visibility="readonly")
    refused = cython.declare(cython.longlong, visibility="readonly")
    dropped = cython.declare(cython.longlong, visibility="readonly")
    capped = cython.declare(cython.longlong, visibility="readonly")
    rejected_arcs = cython.declare(cython.longlong, visibility="readonly")
    retractions_unknown = cython.declare(cython.longlong, visibility="readonly")
    acceleration_line = cython.declare(cython.longlong, visibility="readonly")
    # where the machine stands, and the row in hand
    position_x: cython.double
    position_y: cython.double
    position_z: cython.double
    feed: cython.double
    line: cython.longlong
    retracted: cython.bint
    lift_mm: cython.double
    # Marlin: the same in whole steps, at the end of the last planned move
    filament_mm: cython.double  # so far, for rounding to steps
    at_step_x: cython.double
    at_step_y: cython.double
    at_step_z: cython.double
    at_step_e: cython.double
    mm_per_step_x: cython.double
    mm_per_step_y: cython.double
    mm_per_step_z: cython.double
    mm_per_step_e: cython.double
    # the move before
    fresh: cython.bint  # nothing to join: after a stop
    before_x: cython.double  # its direction: mm per mm of it
    before_y: cython.double
    before_z: cython.double
    before_e: cython.double
    # Klipper
    before_only_filament: cython.bint
    before_cruise_v2: cython.double
    before_start_v2: cython.double
    before_smooth_start_v2: cython.double
    before_delta_v2: cython.double
    before_smooth_delta_v2: cython.double
    before_corner_v2: cython.double
    # Marlin and RepRapFirmware
    before_speed: cython.double
    before_marks: cython.int  # RepRapFirmware: which drives moved
    before_speed_x: cython.double  # Marlin's classic jerk: of each axis
    before_speed_y: cython.double
    before_speed_z: cython.double
    before_speed_e: cython.double
    before_safe_speed: cython.double
    # forward state
    last_cruise_v2: cython.double
    # arcs
    arc_radius_mm: cython.double
    # the queue
    count = cython.declare(cython.Py_ssize_t, visibility="readonly")
    room: cython.Py_ssize_t
    next_pass: cython.Py_ssize_t
    queue_max_start_v2: cython.double[::1]  # as the corner allows it
    queue_delta_v2: cython.double[::1]  # what speeding up over the whole move adds
    queue_start_v2: cython.double[::1]  # as the backward pass leaves it
    queue_flow: cython.double[::1]
    queue_bucket: cython.longlong[::1]
    queue_slot: cython.longlong[::1]
    queue_kind: cython.longlong[::1]
    queue_line: cython.longlong[::1]
    # Klipper and RepRapFirmware
    queue_mm: cython.double[::1]
    queue_accel: cython.double[::1]
    queue_max_cruise_v2: cython.double[::1]
    # Klipper: with the softer acceleration, and the cruise that follows
    queue_max_smooth_start_v2: cython.double[::1]
    queue_smooth_delta_v2: cython.double[::1]
    queue_smooth_start_v2: cython.double[::1]
    queue_cruise_v2: cython.double[::1]
    # Marlin, in the memory of those above that it has no use for
    queue_steps: cython.double[::1]
    queue_step_accel: cython.double[::1]
    queue_step_rate: cython.double[::1]
    queue_steps_per_mm: cython.double[::1]  # as the rounded rate has it
    queue_mm_per_step: cython.double[::1]
    # Marlin and RepRapFirmware, likewise: 1 where any speed can be reached from any other
    queue_reaches_any: cython.double[::1]
    store: object

    def __init__(self, dialect: int, limits: array, cap: int = QUEUE_CAP, batch: int = 512) -> None:
        self.dialect = dialect
        self.cap = max(cap, 4)
        self.batch = max(batch, 1)
        self.limits = limits
        self.bucket = 0
        self.slot = 0
        self.area = 0.25 * 3.141592653589793 * 1.75 * 1.75
        self.open_travel_mm = 0.0
        self.open_retraction_mm = 0.0
        self.tabled = False
        self.rows_tabled = 0
        self.starved = False
        self.table_store = array("d", bytes(8 * TABLE_COLUMNS))
        self.table = self.table_store
        self.moves = 0
        self.refused = 0
        self.dropped = 0
        self.capped = 0
        self.rejected_arcs = 0
        self.retractions_unknown = 0
        self.acceleration_line = 0
        self.max_velocity = self.max_accel = self.max_z_velocity = self.max_z_accel = 0.0
        self.max_extrude_velocity = self.max_extrude_accel = self.extruder_corner_velocity = 0.0
        self.corner_v2 = self.mcr_accel = 0.0
        self.max_accel_x = self.max_accel_y = self.max_accel_z = self.max_accel_e = 0.0
        self.max_speed_x = self.max_speed_y = self.max_speed_z = self.max_speed_e = 0.0
        self.jerk_x = self.jerk_y = self.jerk_z = self.jerk_e = self.junction_deviation = 0.0
        self.print_accel = self.travel_accel = self.retract_accel = self.pressure_advance = 0.0
        self.min_speed = self.min_travel_speed = 0.0
        self.steps_per_mm_x = self.steps_per_mm_y = self.steps_per_mm_z = self.steps_per_mm_e = 0.0
        self.max_step_accel_x = self.max_step_accel_y = self.max_step_accel_z = self.max_step_accel_e = 0.0
        self._refresh()
        self.position_x = self.position_y = self.position_z = self.filament_mm = 0.0
        self.at_step_x = self.at_step_y = self.at_step_z = self.at_step_e = 0.0
        self.feed = 25.0
        self.line = 0
        self.retracted = False
        self.lift_mm = 0.0
        self.fresh = True
        self.before_only_filament = False
        self.before_marks = 0
        self.before_x = self.before_y = self.before_z = self.before_e = 0.0
        self.before_speed_x = self.before_speed_y = self.before_speed_z = self.before_speed_e = 0.0
        self.before_speed = self.before_safe_speed = self.before_cruise_v2 = self.before_corner_v2 = 0.0
        self.before_start_v2 = self.before_smooth_start_v2 = 0.0
        self.before_delta_v2 = self.before_smooth_delta_v2 = 0.0
        self.last_cruise_v2 = 0.0
        self.arc_radius_mm = 0.0
        self.count = 0
        self.room = 0
        self.store = None
        self._enlarge(min(4096, self.cap))
        if self.room == 0:
            raise MemoryError("no room for the planner's queue")
        self.next_pass = min(self.batch, self.room)
        self.new_steps()

    # -- what Python hands in and takes out -------------------------------------------------------

    def sums(
        self,
        moving: array,
        forward: array,
        waiting: array,
        fed: array,
        forward_mm: array,
        last: array,
        height: array,
    ) -> None:
        """Take the arrays that buckets are summed in; all of one length, kept by the caller."""
        self.moving_s = moving
        self.forward_s = forward
        self.waiting_s = waiting
        self.fed_mm = fed
        self.forward_mm = forward_mm
        self.last_s = last
        self.height_mm = height

    def demands(self, histogram: array, figures: array) -> None:
        """Take the arrays for each tool's demands: FLOW_BINS and TOOL_FIGURES places per slot."""
        self.histogram = histogram
        self.figures = figures

    def drain(self) -> array:
        """Return the move table so far, TABLE_COLUMNS numbers a move, and start it anew.

        Raises
        ------
        MemoryError
            The table once found no room, so that moves are missing in it.
        """
        if self.starved:
            raise MemoryError("no room for the table of moves")
        taken = self.table_store[: self.rows_tabled * TABLE_COLUMNS]
        self.rows_tabled = 0
        return taken

    def stop(self) -> None:
        """Plan to a standstill here: everything in the queue becomes final."""
        self._stop()

    def new_steps(self) -> None:
        """Count where the machine stands in steps again, after M92 changed their length."""
        self.stop()
        self.mm_per_step_x = self.mm_per_step_y = self.mm_per_step_z = self.mm_per_step_e = 0.0
        if self.dialect == _MARLIN:
            self.mm_per_step_x = 1.0 / self.limits[_M_X]
            self.mm_per_step_y = 1.0 / self.limits[_M_Y]
            self.mm_per_step_z = 1.0 / self.limits[_M_Z]
            self.mm_per_step_e = 1.0 / self.limits[_M_E]
            self.at_step_x = floor(self.position_x * self.limits[_M_X] + 0.5)
            self.at_step_y = floor(self.position_y * self.limits[_M_Y] + 0.5)
            self.at_step_z = floor(self.position_z * self.limits[_M_Z] + 0.5)
            self.at_step_e = floor(self.filament_mm * self.limits[_M_E] + 0.5)

    def take(self, rows: object, begin: cython.Py_ssize_t, end: cython.Py_ssize_t) -> cython.Py_ssize_t:
        """Plan rows from *begin*; return the first that Python must look at, or *end*."""
        op: cython.int[::1] = rows.op
        arg: cython.int[::1] = rows.arg
        line: cython.longlong[::1] = rows.line
        x: cython.double[::1] = rows.x
        y: cython.double[::1] = rows.y
        z: cython.double[::1] = rows.z
        e: cython.double[::1] = rows.e
        f: cython.double[::1] = rows.f
        ci: cython.double[::1] = rows.i
        cj: cython.double[::1] = rows.j
        n: cython.Py_ssize_t
        what: cython.int
        n = begin
        self._refresh()
        with cython.nogil:  # another thread may scan meanwhile
            while n < end:
                what = op[n]
                if what == _MOVE or what == _ARC:
                    tx = x[n]
                    ty = y[n]
                    tz = z[n]
                    de = e[n]
                    speed = f[n]
                    if not (
                        -_FAR < tx < _FAR and -_FAR < ty < _FAR and -_FAR < tz < _FAR and -_FAR < de < _FAR
                    ):  # also where a number is NaN
                        self.refused += 1
                        n += 1
                        continue
                    if speed > _SLOWEST:
                        self.feed = speed if speed < _FAR else _FAR
                    elif speed > 0:
                        self.feed = _SLOWEST
                    if what == _ARC and self.dialect == _KLIPPER and arg[n] & 64:
                        self.rejected_arcs += (
                            1  # R form or G91: that firmware refuses these, and stands still
                        )
                        n += 1
                        continue
                    self.line = line[n]
                    self._count(tx, ty, tz, de)
                    if what == _MOVE:
                        self._go(tx, ty, tz, de)
                    else:
                        self._arc(tx, ty, tz, de, ci[n], cj[n], arg[n])
                elif what == _ACCELERATION:
                    self._accelerate(x[n], y[n], z[n], e[n], line[n])
                elif what == _SET_POSITION:
                    if self.dialect == _RRF and arg[n] & 7:
                        self._stop()
                    elif self.dialect == _MARLIN and arg[n] & 8:
                        self.filament_mm = (
                            self.at_step_e / self.limits[_M_E]
                        )  # what rounding to whole steps still owes is forgotten
                elif what == _RETRACT or what == _UNRETRACT:
                    self.line = line[n]
                    self._retraction(what == _RETRACT)
                elif what == _HOME:
                    self._stop()
                    if arg[n] & 1:
                        self.position_x = self.at_step_x = 0.0
                    if arg[n] & 2:
                        self.position_y = self.at_step_y = 0.0
                    if arg[n] & 4:
                        self.position_z = self.at_step_z = 0.0
                else:
                    break
                n += 1
        return n

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _stop(self) -> cython.void:
        """Plan to a standstill."""
        self._plan(True)
        self.fresh = True
        self.last_cruise_v2 = 0.0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _refresh(self) -> cython.void:
        """Take the limits in force from the array that they are kept in."""
        if self.dialect == _KLIPPER:
            self.max_velocity = self.limits[_K_V]
            self.max_accel = self.limits[_K_A]
            self.max_z_velocity = self.limits[_K_ZV]
            self.max_z_accel = self.limits[_K_ZA]
            self.max_extrude_velocity = self.limits[_K_EV]
            self.max_extrude_accel = self.limits[_K_EA]
            self.corner_v2 = self.limits[_K_CORNER] * self.limits[_K_CORNER] * _CORNER
            self.mcr_accel = self.limits[_K_A] * (1.0 - self.limits[_K_RATIO])
            self.extruder_corner_velocity = self.limits[_K_E_STEP]
        elif self.dialect == _RRF:
            self.max_accel_x = self.limits[_R_AX]
            self.max_accel_y = self.limits[_R_AY]
            self.max_accel_z = self.limits[_R_AZ]
            self.max_accel_e = self.limits[_R_AE]
            self.max_speed_x = self.limits[_R_VX]
            self.max_speed_y = self.limits[_R_VY]
            self.max_speed_z = self.limits[_R_VZ]
            self.max_speed_e = self.limits[_R_VE]
            self.jerk_x = self.limits[_R_JX]
            self.jerk_y = self.limits[_R_JY]
            self.jerk_z = self.limits[_R_JZ]
            self.jerk_e = self.limits[_R_JE]
            self.print_accel = self.limits[_R_P]
            self.travel_accel = self.limits[_R_T]
            self.min_speed = self.limits[_R_LEAST]
            self.pressure_advance = self.limits[_R_K]
        else:
            self.max_accel_x = self.limits[_M_AX]
            self.max_accel_y = self.limits[_M_AY]
            self.max_accel_z = self.limits[_M_AZ]
            self.max_accel_e = self.limits[_M_AE]
            self.max_speed_x = self.limits[_M_VX]
            self.max_speed_y = self.limits[_M_VY]
            self.max_speed_z = self.limits[_M_VZ]
            self.max_speed_e = self.limits[_M_VE]
            self.jerk_x = self.limits[_M_JX]
            self.jerk_y = self.limits[_M_JY]
            self.jerk_z = self.limits[_M_JZ]
            self.jerk_e = self.limits[_M_JE]
            self.junction_deviation = self.limits[_M_J]
            self.print_accel = self.limits[_M_P]
            self.travel_accel = self.limits[_M_T]
            self.retract_accel = self.limits[_M_R]
            self.min_speed = self.limits[_M_LEAST]
            self.min_travel_speed = self.limits[_M_LEAST_T]
            self.pressure_advance = self.limits[_M_K]
            self.steps_per_mm_x = self.limits[_M_X]
            self.steps_per_mm_y = self.limits[_M_Y]
            self.steps_per_mm_z = self.limits[_M_Z]
            self.steps_per_mm_e = self.limits[_M_E]
            self.max_step_accel_x = self.limits[_M_AX] * self.limits[_M_X]
            self.max_step_accel_y = self.limits[_M_AY] * self.limits[_M_Y]
            self.max_step_accel_z = self.limits[_M_AZ] * self.limits[_M_Z]
            self.max_step_accel_e = self.limits[_M_AE] * self.limits[_M_E]

    # -- rows ---------------------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _count(
        self, tx: cython.double, ty: cython.double, tz: cython.double, de: cython.double
    ) -> cython.void:
        """Add one row's filament and travel to its bucket and tool; what is counted needs no plan."""
        across: cython.bint = tx != self.position_x or ty != self.position_y
        place: cython.Py_ssize_t = self.slot * _FIGURES
        behind: cython.double = self.figures[place + 5] - de
        self.figures[place + 5] = behind if behind > 0 else 0.0
        if across:
            self.figures[place + 6] += de
        if de > 0:
            self.fed_mm[self.bucket] += de
            self.forward_mm[self.bucket] += de
            if across:
                if self.height_mm[self.bucket] != self.height_mm[self.bucket]:  # NaN: the first of its bucket
                    self.height_mm[self.bucket] = tz
                if self.open_travel_mm > 0:
                    if self.open_travel_mm > self.figures[place + 2]:
                        self.figures[place + 2] = self.open_travel_mm
                    self.open_travel_mm = 0.0
                dx = tx - self.position_x
                dy = ty - self.position_y
                self.figures[place + 3] += sqrt(dx * dx + dy * dy)
            if self.open_retraction_mm > 0:
                if self.open_retraction_mm > self.figures[place + 4]:
                    self.figures[place + 4] = self.open_retraction_mm
                self.open_retraction_mm = 0.0
        elif de < 0:
            self.fed_mm[self.bucket] += de
            if self.open_retraction_mm == 0:
                self.figures[place] += 1
            self.open_retraction_mm -= de
        elif across:
            dx = tx - self.position_x
            dy = ty - self.position_y
            dx = sqrt(dx * dx + dy * dy)
            self.open_travel_mm += dx
            self.figures[place + 1] += dx

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _go(self, tx: cython.double, ty: cython.double, tz: cython.double, de: cython.double) -> cython.void:
        """Move straight to a place, by the dialect's rules."""
        if self.dialect == _KLIPPER:
            self._klipper(tx - self.position_x, ty - self.position_y, tz - self.position_z, de)
        elif self.dialect == _RRF:
            self._rrf(tx - self.position_x, ty - self.position_y, tz - self.position_z, de)
        else:
            self._marlin(tx, ty, tz, de)
        self.position_x = tx
        self.position_y = ty
        self.position_z = tz

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _accelerate(
        self, s: cython.double, p: cython.double, r: cython.double, t: cython.double, line: cython.longlong
    ) -> cython.void:
        """M204; absent words are NaN.  Klipper: S, or the smaller of P and T where both stand (A6)."""
        if self.acceleration_line == 0:
            self.acceleration_line = line
        if self.dialect == _KLIPPER:
            if not 0 < s < _UNBOUNDED and 0 < p < _UNBOUNDED and 0 < t < _UNBOUNDED:
                s = p if p < t else t
            if 0 < s < _UNBOUNDED:
                self.limits[_K_A] = s
        elif self.dialect == _RRF:
            if 0 < s < _UNBOUNDED:
                self.limits[_R_P] = s
                self.limits[_R_T] = s
            if 0 < p < _UNBOUNDED:
                self.limits[_R_P] = p
            if 0 < t < _UNBOUNDED:
                self.limits[_R_T] = t
        else:
            if 0 < s < _UNBOUNDED:
                self.limits[_M_P] = s
                self.limits[_M_T] = s
            if 0 < p < _UNBOUNDED:
                self.limits[_M_P] = p
            if 0 < r < _UNBOUNDED:
                self.limits[_M_R] = r
            if 0 < t < _UNBOUNDED:
                self.limits[_M_T] = t
        self._refresh()

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _retraction(self, back: cython.bint) -> cython.void:
        """G10 and G11 as the firmware's own retraction; a repeat does nothing."""
        lift: cython.double = 0.0
        feed: cython.double = self.feed
        if self.dialect == _KLIPPER:
            length = self.limits[_K_BACK]
            again = length + self.limits[_K_EXTRA]
            speed = self.limits[_K_BACK_V] if back else self.limits[_K_FORTH_V]
        elif self.dialect == _RRF:
            length = self.limits[_R_BACK]
            again = length + self.limits[_R_EXTRA]
            speed = self.limits[_R_BACK_V] if back else self.limits[_R_FORTH_V]
            lift = self.limits[_R_LIFT]
        else:
            length = self.limits[_M_BACK]
            again = length + self.limits[_M_EXTRA]
            speed = self.limits[_M_BACK_V] if back else self.limits[_M_FORTH_V]
            lift = self.limits[_M_LIFT]
        if length < 0:
            self.retractions_unknown += 1
            return
        if back == self.retracted:
            return
        self.retracted = back
        self.feed = speed if speed > _SLOWEST else _SLOWEST
        if back:
            if self.open_retraction_mm == 0:
                self.figures[self.slot * _FIGURES] += 1
            if length > self.figures[self.slot * _FIGURES + 4]:
                self.figures[self.slot * _FIGURES + 4] = length
            self._go(self.position_x, self.position_y, self.position_z, -length)
        self._lift(back, lift)
        if not back:
            self._go(self.position_x, self.position_y, self.position_z, again)
        self.feed = feed

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _lift(self, back: cython.bint, lift: cython.double) -> cython.void:
        """Raise Z with a retraction, lower it again before its end; the job's own Z is not told."""
        feed: cython.double = self.feed
        height: cython.double = self.position_z
        if back:
            self.lift_mm = lift
        if self.lift_mm != 0:
            self.feed = _FAR  # as fast as the Z axis is allowed to
            self._go(
                self.position_x,
                self.position_y,
                self.position_z + (self.lift_mm if back else -self.lift_mm),
                0.0,
            )
            self.position_z = height
            self.at_step_z = floor(height * self.limits[_M_Z] + 0.5) if self.dialect == _MARLIN else 0.0
        if not back:
            self.lift_mm = 0.0
        self.feed = feed

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _arc(
        self,
        tx: cython.double,
        ty: cython.double,
        tz: cython.double,
        de: cython.double,
        ci: cython.double,
        cj: cython.double,
        arg: cython.int,
    ) -> cython.void:
        """Cut an arc into the chords that this firmware cuts it into."""
        x: cython.double = self.position_x
        y: cython.double = self.position_y
        z: cython.double = self.position_z
        clockwise: cython.bint = (arg & 32) != 0
        n: cython.longlong
        k: cython.longlong
        if (arg & 64) != 0:  # R form: the centre lies off the chord's middle
            dx = 0.5 * (tx - x)
            dy = 0.5 * (ty - y)
            half = sqrt(dx * dx + dy * dy)
            if half == 0 or not (-_FAR < ci < _FAR) or ci == 0:
                self.rejected_arcs += 1
                self._go(tx, ty, tz, de)  # straight: at least the time is not lost
                return
            height = (fabs(ci) - half) * (fabs(ci) + half)
            height = sqrt(height) if height > 0 else 0.0
            if clockwise != (ci < 0):
                height = -height
            ci = dx - dy / half * height
            cj = dy + dx / half * height
        if not (-_FAR < ci < _FAR and -_FAR < cj < _FAR) or (ci == 0 and cj == 0):
            self.rejected_arcs += 1
            self._go(tx, ty, tz, de)
            return
        radius = sqrt(ci * ci + cj * cj)
        dx = tx - (x + ci)
        dy = ty - (y + cj)
        if tx == x and ty == y:
            angle = 2 * _PI
        else:
            angle = atan2(-ci * dy + cj * dx, -ci * dx - cj * dy)
            if clockwise:
                angle = -angle
            if angle <= 0:
                angle += 2 * _PI
        length = radius * angle
        if self.dialect == _KLIPPER:
            half = tz - z
            chords = floor(sqrt(length * length + half * half) / self.limits[_K_ARC])
        elif self.dialect == _RRF:
            half = sqrt(0.04 * radius)
            if 0.005 * self.feed < half:
                half = 0.005 * self.feed
            half = 0.02 if half < 0.02 else (1.0 if half > 1.0 else half)
            chords = floor(length / half + 0.8)
        else:
            least = ceil(72.0 * angle / (2 * _PI) - 1e-6)
            chords = floor(length)
            if chords < least:
                chords = least
            if length > chords:
                chords = ceil(length - 1e-4)
            elif length < 0.1 * chords:
                chords = floor(length / 0.1)
        if chords < 1:
            chords = 1
        if chords > 1e6:
            chords = 1e6
        n = cython.cast(cython.longlong, chords)
        turn = -angle / chords if clockwise else angle / chords
        for k in range(1, n):
            share = turn * k
            dx = cos(share)
            dy = sin(share)
            self.arc_radius_mm = radius if k > 1 else 0.0
            self._go(
                x + ci - ci * dx + cj * dy,
                y + cj - ci * dy - cj * dx,
                z + (tz - z) * k / chords,
                de / chords,
            )
        self.arc_radius_mm = 0.0
        self._go(tx, ty, tz, de / chords)

    # -- Klipper ------------------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _klipper(
        self, dx: cython.double, dy: cython.double, dz: cython.double, de: cython.double
    ) -> cython.void:
        """Queue one move by sections A1 and A2."""
        l2: cython.double = dx * dx + dy * dy + dz * dz
        only: cython.bint = l2 < 1e-18
        kind: cython.int = 0
        i: cython.Py_ssize_t
        if only:
            if de == 0:
                return
            length = fabs(de)
            dx = dy = dz = 0.0
            e = 1.0 if de > 0 else -1.0
            v = self.feed if self.feed < self.max_extrude_velocity else self.max_extrude_velocity
            a = self.max_extrude_accel
        else:
            length = sqrt(l2)
            ratio = 1.0 / length
            dx *= ratio
            dy *= ratio
            e = de * ratio
            v = self.feed if self.feed < self.max_velocity else self.max_velocity
            a = self.max_accel
            if dz != 0:
                dz *= ratio
                ratio = 1.0 / fabs(dz)
                if self.max_z_velocity * ratio < v:
                    v = self.max_z_velocity * ratio
                if self.max_z_accel * ratio < a:
                    a = self.max_z_accel * ratio
            if e < 0 or (e != 0 and dx == 0 and dy == 0):
                ratio = 1.0 / fabs(e)
                if self.max_extrude_velocity * ratio < v:
                    v = self.max_extrude_velocity * ratio
                if self.max_extrude_accel * ratio < a:
                    a = self.max_extrude_accel * ratio
            if dx != 0 or dy != 0:
                kind = 2
        v2 = v * v
        d = 2 * a * length
        dm = 2 * self.mcr_accel * length
        if dm > d:
            dm = d
        corner = self.corner_v2
        if a != self.max_accel:
            corner = corner * a / self.max_accel  # jd * a
        if self.fresh or only or self.before_only_filament:
            junction = 0.0
            smooth = 0.0
        else:
            junction = v2 if v2 < self.before_cruise_v2 else self.before_cruise_v2
            limit = self.before_start_v2 + self.before_delta_v2
            if limit < junction:
                junction = limit
            if e != self.before_e:
                limit = self.extruder_corner_velocity / (e - self.before_e)
                limit = limit * limit
                if limit < junction:
                    junction = limit
            cosine = -(self.before_x * dx + self.before_y * dy + self.before_z * dz)
            s = 0.5 * (1.0 - cosine)
            c = 0.5 * (1.0 + cosine)
            if s < 1.0 and c > 0:
                # corner·s' / (1 - s') with s' = sqrt(s); root and quotient only where it bites
                limit = corner if corner < self.before_corner_v2 else self.before_corner_v2
                ratio = limit + junction
                if s * ratio * ratio < junction * junction:
                    ratio = sqrt(s) if s > 0 else 0.0
                    junction = limit * ratio / (1.0 - ratio)
                # L*a*T/2 with T = s'/c', likewise
                limit = 0.25 * (d if d < self.before_delta_v2 else self.before_delta_v2)
                if limit * limit * s < junction * junction * c:
                    junction = limit * sqrt(s / c) if s > 0 else 0.0
            smooth = self.before_smooth_start_v2 + self.before_smooth_delta_v2
            if junction < smooth:
                smooth = junction
        self.fresh = False
        self.before_only_filament = only
        self.before_x = dx
        self.before_y = dy
        self.before_z = dz
        self.before_e = e
        self.before_cruise_v2 = v2
        self.before_delta_v2 = d
        self.before_smooth_delta_v2 = dm
        self.before_start_v2 = junction
        self.before_smooth_start_v2 = smooth
        self.before_corner_v2 = corner
        if de > 0:
            kind |= 1
        elif de < 0:
            kind |= 4
        i = self.count
        self.queue_mm[i] = length
        self.queue_accel[i] = a
        self.queue_max_cruise_v2[i] = v2
        self.queue_max_start_v2[i] = junction
        self.queue_max_smooth_start_v2[i] = smooth
        self.queue_delta_v2[i] = d
        self.queue_smooth_delta_v2[i] = dm
        self._queue(i, kind, e)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _queue(self, i: cython.Py_ssize_t, kind: cython.int, e: cython.double) -> cython.void:
        """Fill the columns that every dialect has, and plan where a batch is full."""
        self.queue_kind[i] = kind
        self.queue_bucket[i] = self.bucket
        self.queue_slot[i] = self.slot
        self.queue_line[i] = self.line
        self.queue_flow[i] = e * self.area * _BINS_PER_MM3_S if kind == 3 else 0.0
        self.moves += 1
        self.count = i + 1
        if self.count >= self.next_pass:
            self._plan(False)

    # -- passes -------------------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _plan(self, final: cython.bint) -> cython.void:
        """Run the passes; commit what is final; make room."""
        ready: cython.Py_ssize_t
        if self.count == 0:
            return
        if self.dialect == _KLIPPER:
            ready = self._backward_klipper(final)
        else:
            ready = self._backward(final)
        if not final and ready == 0 and self.count >= self.cap:
            self.capped += 1
            if self.dialect == _KLIPPER:
                self._backward_klipper(True)
            else:
                self._backward(True)
            ready = self.count // 2
        if ready > 0:
            if self.dialect == _KLIPPER:
                self._commit_klipper(ready, final)
            else:
                self._commit(ready, final)
            self._shift(ready)
        self.next_pass = self.count + (self.batch if self.batch > self.count else self.count)
        if self.next_pass > self.cap:
            self.next_pass = self.cap
        if self.next_pass > self.room:
            self._enlarge(self.next_pass)
            if self.next_pass > self.room:  # no memory: the queue is capped as it stands
                self.next_pass = self.room
                if self.count >= self.room:
                    self._plan(final)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _backward_klipper(self, final: cython.bint) -> cython.Py_ssize_t:
        """Pass A3 and A4, last move to first; return how many moves are final.

        Writes queue_start_v2 (S), queue_smooth_start_v2 (S') and queue_cruise_v2: the squared cruise speed of
        a move that can speed up, or -1 where it follows from the move before.
        """
        i: cython.Py_ssize_t = self.count
        s: cython.double = 0.0
        sm: cython.double = 0.0
        high: cython.double = 0.0
        high_m: cython.double = 0.0
        peak: cython.double = 0.0
        known: cython.bint = final  # whether the peak is
        held: cython.bint = False  # the move just after cannot speed up
        ready: cython.Py_ssize_t
        if not final:
            high = high_m = _UNBOUNDED
            while i > 0:
                i -= 1
                reach = s + self.queue_delta_v2[i]
                s = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach else reach
                reach_h = high + self.queue_delta_v2[i]
                high = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach_h else reach_h
                reach_m = sm + self.queue_smooth_delta_v2[i]
                sm = (
                    self.queue_max_smooth_start_v2[i]
                    if self.queue_max_smooth_start_v2[i] < reach_m
                    else reach_m
                )
                reach_h = high_m + self.queue_smooth_delta_v2[i]
                high_m = (
                    self.queue_max_smooth_start_v2[i]
                    if self.queue_max_smooth_start_v2[i] < reach_h
                    else reach_h
                )
                if s == high and sm == high_m and sm < reach_m and sm < reach_h:
                    break
            else:
                return 0
            self.queue_start_v2[i] = s
            self.queue_smooth_start_v2[i] = sm
        ready = i
        while i > 0:
            i -= 1
            reach = s + self.queue_delta_v2[i]
            start = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach else reach
            reach_m = sm + self.queue_smooth_delta_v2[i]
            if self.queue_max_smooth_start_v2[i] < reach_m:
                if held or self.queue_max_smooth_start_v2[i] + self.queue_smooth_delta_v2[i] > sm:
                    peak = 0.5 * (self.queue_max_smooth_start_v2[i] + reach_m)
                    known = True
                elif not known:
                    ready = i
                held = False
                sm = self.queue_max_smooth_start_v2[i]
                cruise = 0.5 * (start + reach)
                if self.queue_max_cruise_v2[i] < cruise:
                    cruise = self.queue_max_cruise_v2[i]
                if peak < cruise:
                    cruise = peak
                self.queue_cruise_v2[i] = cruise
            else:
                held = True
                sm = reach_m
                self.queue_cruise_v2[i] = -1.0
            s = start
            self.queue_start_v2[i] = s
            self.queue_smooth_start_v2[i] = sm
        return ready

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit_klipper(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Turn the first *ready* moves into seconds, first to last."""
        i: cython.Py_ssize_t
        c2: cython.double = self.last_cruise_v2
        last2: cython.double = -1.0
        last: cython.double = 0.0
        for i in range(ready):
            s2 = self.queue_start_v2[i]
            if self.queue_cruise_v2[i] >= 0:
                c2 = self.queue_cruise_v2[i]
            elif s2 < c2:
                c2 = s2
            if c2 < 1e-12:  # a limit of nearly nothing: slow, but never for ever
                c2 = 1e-12
            e2 = self.queue_start_v2[i + 1] if i + 1 < self.count else 0.0
            if s2 > c2:
                s2 = c2
            if e2 > c2:
                e2 = c2
            vc = sqrt(c2)
            vs = last if s2 == last2 else sqrt(s2)
            ve = vc if e2 == c2 else sqrt(e2)
            last = ve
            last2 = e2
            inverse = 1.0 / self.queue_accel[i]
            at = self.queue_mm[i] - 0.5 * (2 * c2 - s2 - e2) * inverse
            at = at / vc if at > 0 else 0.0
            up = (vc - vs) * inverse
            down = (vc - ve) * inverse
            self._add(i, up, at, down, vs, vc)
        self.last_cruise_v2 = c2
        if ready < self.count and not final:
            # where the cap cut the queue these bind; else they are what later passes find again
            self.queue_max_start_v2[ready] = self.queue_start_v2[ready]
            self.queue_max_smooth_start_v2[ready] = self.queue_smooth_start_v2[ready]

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _backward(self, final: cython.bint) -> cython.Py_ssize_t:
        """Pass of B4 and C3, last move to first; return how many moves are final.

        Where a move is long enough to reach any speed from any other, its start does not depend on
        what follows.
        """
        i: cython.Py_ssize_t = self.count
        s: cython.double = 0.0
        high: cython.double = _UNBOUNDED
        ready: cython.Py_ssize_t
        if self.dialect == _MARLIN:
            s = _MARLIN_MINIMUM_V2
        if not final:
            while i > 0:
                i -= 1
                if self.queue_reaches_any[i] != 0:
                    s = high = self.queue_max_start_v2[i]
                    break
                reach = s + self.queue_delta_v2[i]
                s = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach else reach
                reach = high + self.queue_delta_v2[i]
                high = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach else reach
                if s == high:
                    break
            else:
                return 0
            self.queue_start_v2[i] = s
        ready = i
        while i > 0:
            i -= 1
            reach = s + self.queue_delta_v2[i]
            s = (
                self.queue_max_start_v2[i]
                if self.queue_reaches_any[i] != 0 or self.queue_max_start_v2[i] < reach
                else reach
            )
            self.queue_start_v2[i] = s
        return ready

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Forward pass of B4 and C3 over the first *ready* moves, and their seconds."""
        i: cython.Py_ssize_t
        s2 = self.queue_start_v2[0]
        vs = sqrt(s2)
        for i in range(ready):
            if i + 1 < self.count:
                e2 = self.queue_start_v2[i + 1]
                if self.queue_reaches_any[i] == 0 and s2 < e2 and s2 + self.queue_delta_v2[i] < e2:
                    e2 = s2 + self.queue_delta_v2[i]
            elif self.dialect == _MARLIN:
                e2 = _MARLIN_MINIMUM_V2
            else:
                e2 = 0.0
            if self.dialect == _MARLIN:
                ve = sqrt(e2)
                self._steps(i, vs, ve)
                vs = ve
            else:
                self._ramps(i, s2, e2)
            s2 = e2
        if ready < self.count and not final:
            self.queue_max_start_v2[ready] = s2  # settled: later passes can only find it again

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _add(
        self,
        i: cython.Py_ssize_t,
        up: cython.double,
        at: cython.double,
        down: cython.double,
        vs: cython.double,
        vc: cython.double,
    ) -> cython.void:
        """Count a final move into its bucket."""
        b: cython.Py_ssize_t = self.queue_bucket[i]
        kind: cython.int = self.queue_kind[i]
        t: cython.double = up + at + down
        bin_: cython.Py_ssize_t
        self.moving_s[b] += t
        if kind & 1:
            self.forward_s[b] += t
            self.last_s[b] = self.moving_s[b] + self.waiting_s[b]
            if kind == 3:
                flow = self.queue_flow[i] * vc
                bin_ = cython.cast(cython.Py_ssize_t, flow) if flow < _BINS else _BINS - 1
                self.histogram[self.queue_slot[i] * _BINS + bin_] += t
        if self.tabled:
            self._tabulate(i, up, at, down, vs)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _shift(self, ready: cython.Py_ssize_t) -> cython.void:
        """Move what is left to the front of the queue; columns that share their memory, once."""
        i: cython.Py_ssize_t
        k: cython.Py_ssize_t
        for i in range(self.count - ready):
            k = i + ready
            self.queue_mm[i] = self.queue_mm[k]
            self.queue_accel[i] = self.queue_accel[k]
            self.queue_max_cruise_v2[i] = self.queue_max_cruise_v2[k]
            self.queue_max_start_v2[i] = self.queue_max_start_v2[k]
            self.queue_max_smooth_start_v2[i] = self.queue_max_smooth_start_v2[k]
            self.queue_delta_v2[i] = self.queue_delta_v2[k]
            self.queue_smooth_delta_v2[i] = self.queue_smooth_delta_v2[k]
            self.queue_start_v2[i] = self.queue_start_v2[k]
            self.queue_smooth_start_v2[i] = self.queue_smooth_start_v2[k]
            self.queue_cruise_v2[i] = self.queue_cruise_v2[k]
            self.queue_flow[i] = self.queue_flow[k]
            self.queue_bucket[i] = self.queue_bucket[k]
            self.queue_slot[i] = self.queue_slot[k]
            self.queue_kind[i] = self.queue_kind[k]
            self.queue_line[i] = self.queue_line[k]
        self.count -= ready

    # -- Marlin -------------------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _marlin(
        self, tx: cython.double, ty: cython.double, tz: cython.double, de: cython.double
    ) -> cython.void:
        """Queue one move by sections B0 to B3; under 6 steps on every axis it waits for the next."""
        kind: cython.int = 0
        i: cython.Py_ssize_t
        nx = _floor(tx * self.steps_per_mm_x + 0.5)
        ny = _floor(ty * self.steps_per_mm_y + 0.5)
        nz = _floor(tz * self.steps_per_mm_z + 0.5)
        self.filament_mm += de
        ne = _floor(self.filament_mm * self.steps_per_mm_e + 0.5)
        kx = nx - self.at_step_x
        ky = ny - self.at_step_y
        kz = nz - self.at_step_z
        ke = ne - self.at_step_e
        mx = kx * self.mm_per_step_x
        my = ky * self.mm_per_step_y
        mz = kz * self.mm_per_step_z
        me = ke * self.mm_per_step_e
        kx = fabs(kx)
        ky = fabs(ky)
        kz = fabs(kz)
        ke = fabs(ke)
        most = kx if kx > ky else ky
        most = kz if kz > most else most
        if most < _MARLIN_SHORTEST:
            if ke < _MARLIN_SHORTEST:
                if tx != self.position_x or ty != self.position_y or tz != self.position_z or de != 0:
                    self.dropped += 1
                return
            length = fabs(me)
        else:
            length = sqrt(mx * mx + my * my + mz * mz)
        most = ke if ke > most else most
        self.at_step_x = nx
        self.at_step_y = ny
        self.at_step_z = nz
        self.at_step_e = ne
        inverse = 1.0 / length
        step = 1.0 / most
        # speed, B1: one factor makes every axis obey M203
        v = self.feed
        limit = self.min_speed if ke > 0 else self.min_travel_speed
        v = limit if limit > v else v
        per_mm = most * inverse
        rate = _ceil(v * per_mm - _ROUNDING)
        top = v * inverse
        limit = top
        limit = _within(limit, mx, self.max_speed_x)
        limit = _within(limit, my, self.max_speed_y)
        limit = _within(limit, mz, self.max_speed_z)
        limit = _within(limit, me, self.max_speed_e)
        if limit < top:
            v = limit * length
            rate = _floor(rate * limit / top + _ROUNDING)
        # acceleration, B2, in whole steps/s2
        if kx == 0 and ky == 0 and kz == 0:
            accel = _ceil(self.retract_accel * per_mm - _ROUNDING)
        else:
            a = self.print_accel if ke > 0 else self.travel_accel
            if self.pressure_advance > 0 and ke > 0 and de > 0:  # M900: linear advance
                limit = self.jerk_e
                if self.junction_deviation > 0:
                    limit = sqrt(2.414 * self.junction_deviation * self.max_accel_e)
                a = _within(a, self.pressure_advance * me * inverse, limit)
            accel = _ceil(a * per_mm - _ROUNDING)
            limit = accel * step
            limit = _within(limit, kx, self.max_step_accel_x)
            limit = _within(limit, ky, self.max_step_accel_y)
            limit = _within(limit, kz, self.max_step_accel_z)
            limit = _within(limit, ke, self.max_step_accel_e)
            if limit * most < accel:
                accel = _floor(limit * most + _ROUNDING)
        accel = accel if accel > 1 else 1.0
        rate = rate if rate > 1 else 1.0
        a = accel * step * length
        flow = fabs(me) * step  # per step
        if self.junction_deviation > 0:
            if me != 0:
                inverse = 1.0 / sqrt(mx * mx + my * my + mz * mz + me * me)
            junction = self._junction_deviation(
                mx * inverse, my * inverse, mz * inverse, me * inverse, length, v, a
            )
        else:
            inverse *= v
            junction = self._classic_jerk(mx * inverse, my * inverse, mz * inverse, me * inverse, v)
        self.fresh = False
        self.before_speed = v
        if de > 0:
            kind = 1
        elif de < 0:
            kind = 4
        if kx > 0 or ky > 0:
            kind |= 2
        i = self.count
        self.queue_steps[i] = most
        self.queue_step_accel[i] = accel
        self.queue_step_rate[i] = rate
        self.queue_max_start_v2[i] = junction
        self.queue_delta_v2[i] = 2 * a * length
        self.queue_reaches_any[i] = 1.0 if v * v <= self.queue_delta_v2[i] + _MARLIN_MINIMUM_V2 else 0.0
        self.queue_steps_per_mm[i] = rate / v  # steps per mm, as the rounded rate has it
        self.queue_mm_per_step[i] = length * step
        self._queue(i, kind, flow)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _junction_deviation(
        self,
        ux: cython.double,
        uy: cython.double,
        uz: cython.double,
        ue: cython.double,
        length: cython.double,
        v: cython.double,
        a: cython.double,
    ) -> cython.double:
        """Return the squared speed at the start of a move, B3a; u is its direction, filament included."""
        px = self.before_x
        py = self.before_y
        pz = self.before_z
        pe = self.before_e
        self.before_x = ux
        self.before_y = uy
        self.before_z = uz
        self.before_e = ue
        if self.fresh:
            return 0.0
        cosine = -(px * ux + py * uy + pz * uz + pe * ue)
        if cosine > 0.999999:
            return _MARLIN_MINIMUM_V2
        if cosine < -0.999999:
            cosine = -0.999999
        px = ux - px
        py = uy - py
        pz = uz - pz
        pe = ue - pe
        w2 = px * px + py * py + pz * pz + pe * pe
        if w2 > 0:  # the corner's own direction, capped by each axis
            a = _within_corner(a, px, w2, self.max_accel_x)
            a = _within_corner(a, py, w2, self.max_accel_y)
            a = _within_corner(a, pz, w2, self.max_accel_z)
            a = _within_corner(a, pe, w2, self.max_accel_e)
        junction = v if v < self.before_speed else self.before_speed
        junction = junction * junction
        if self.arc_radius_mm > 0:
            limit = a * self.arc_radius_mm
            return limit if limit < junction else junction
        # a·J·s / (1 - s) with s = sin of half the corner; root and quotient only where it bites
        s2 = 0.5 * (1.0 - cosine)
        limit = a * self.junction_deviation
        w = limit + junction
        if s2 * w * w < junction * junction:
            s = sqrt(s2)
            junction = limit * s / (1.0 - s)
        if length < 1 and cosine < -0.7071067812:
            # the turn's angle lies between its chord and 1.03 times that: acos only where it may bite
            limit = length * a
            w = 2.0 * (1.0 + cosine)
            if limit * limit < 1.07 * w * junction * junction:
                limit = limit / acos(-cosine)
                junction = limit if limit < junction else junction
        return junction

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _classic_jerk(
        self, cx: cython.double, cy: cython.double, cz: cython.double, ce: cython.double, v: cython.double
    ) -> cython.double:
        """Return the squared speed at the start of a move, B3b; c are the speeds of each axis."""
        safe = 1.0
        safe = _within(safe, cx, self.jerk_x)
        safe = _within(safe, cy, self.jerk_y)
        safe = _within(safe, cz, self.jerk_z)
        safe = _within(safe, ce, self.jerk_e)
        safe *= v
        join = safe
        if not self.fresh:
            join = v if v < self.before_speed else self.before_speed
            scale = v / self.before_speed if v < self.before_speed else 1.0
            share = 1.0
            share = _within(share, _jump(self.before_speed_x * scale, cx), self.jerk_x)
            share = _within(share, _jump(self.before_speed_y * scale, cy), self.jerk_y)
            share = _within(share, _jump(self.before_speed_z * scale, cz), self.jerk_z)
            share = _within(share, _jump(self.before_speed_e * scale, ce), self.jerk_e)
            join *= share
            if safe > 0.99 * join and self.before_safe_speed > 0.99 * join:
                join = safe
        self.before_speed_x = cx
        self.before_speed_y = cy
        self.before_speed_z = cz
        self.before_speed_e = ce
        self.before_safe_speed = safe
        return join * join

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _steps(self, i: cython.Py_ssize_t, vs: cython.double, ve: cython.double) -> cython.void:
        """Turn a Marlin move into seconds: ramps in whole steps and whole rates, B4."""
        steps = self.queue_steps[i]
        rate = self.queue_step_rate[i]
        twice = 2.0 * self.queue_step_accel[i]
        half = 1.0 / twice
        inverse = 2.0 * half
        first = _ceil(vs * self.queue_steps_per_mm[i] - _ROUNDING)
        last = _ceil(ve * self.queue_steps_per_mm[i] - _ROUNDING)
        first = first if first > _MARLIN_RATE_FLOOR else _MARLIN_RATE_FLOOR
        last = last if last > _MARLIN_RATE_FLOOR else _MARLIN_RATE_FLOOR
        top = rate
        way = (rate * rate - first * first) * half
        brake = (rate * rate - last * last) * half
        way = way if way > 0 else 0.0
        brake = brake if brake > 0 else 0.0
        if way < steps and brake < steps and _ceil(way - _ROUNDING) + _floor(brake + _ROUNDING) <= steps:
            brake = _floor(brake + _ROUNDING)
        else:
            up = 0.5 * steps + (last * last - first * first) * (0.5 * half)
            up = _ceil(up - _ROUNDING) if 0 < up < steps else (0.0 if up < steps else steps)
            brake = steps - up
            top = first * first + up * twice
            top = rate if top > rate * rate else sqrt(top)
            way = (top * top - first * first) * half
            way = way if way > 0 else 0.0
        slow = top * top - brake * twice
        slow = sqrt(slow) if slow > last * last else last
        slow = slow if slow < top else top
        rest = brake - (top * top - slow * slow) * half  # steps of the brake left at the final rate
        t_up = (top - first) * inverse if top > first else 0.0
        t_down = (top - slow) * inverse
        if rest > _ROUNDING:
            t_down += rest / slow
        rest = steps - brake - way
        rest = rest / top if rest > 0 else 0.0
        self._add(i, t_up, rest, t_down, first, top)

    # -- RepRapFirmware -----------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _rrf(self, dx: cython.double, dy: cython.double, dz: cython.double, de: cython.double) -> cython.void:
        """Queue one move by sections C1 and C2."""
        l2: cython.double = dx * dx + dy * dy + dz * dz
        kind: cython.int = 0
        marks: cython.int = 0
        i: cython.Py_ssize_t
        if l2 < 1e-18:
            if de == 0:
                return
            length = fabs(de)
            dx = dy = dz = 0.0
        else:
            length = sqrt(l2)
        inverse = 1.0 / length
        dx *= inverse
        dy *= inverse
        dz *= inverse
        de *= inverse
        v = self.feed if self.feed > self.min_speed else self.min_speed
        a = _UNBOUNDED
        if dx != 0:
            v = _within(v, dx, self.max_speed_x)
            a = _within(a, dx, self.max_accel_x)
        if dy != 0:
            v = _within(v, dy, self.max_speed_y)
            a = _within(a, dy, self.max_accel_y)
        if dz != 0:
            v = _within(v, dz, self.max_speed_z)
            a = _within(a, dz, self.max_accel_z)
        if de != 0:
            v = _within(v, de, self.max_speed_e)
            a = _within(a, de, self.max_accel_e)
        if dx != 0 or dy != 0:
            kind = 2
            limit = self.print_accel if de > 0 else self.travel_accel
            if limit < a:
                a = limit
            if de > 0 and self.pressure_advance > 0:  # pressure advance, C7
                a = _within(a, de * self.pressure_advance, self.jerk_e)
            marks = 3 if de > 0 else 1
        if de != 0 and marks < 2:
            marks |= 4
        if self.fresh or (self.limits[_R_POLICY] == 0 and marks != self.before_marks):
            junction = 0.0
        else:
            junction = v if v < self.before_speed else self.before_speed
            junction = _within(junction, dx - self.before_x, self.jerk_x)
            junction = _within(junction, dy - self.before_y, self.jerk_y)
            junction = _within(junction, dz - self.before_z, self.jerk_z)
            junction = _within(junction, de - self.before_e, self.jerk_e)
        self.fresh = False
        self.before_marks = marks
        self.before_x = dx
        self.before_y = dy
        self.before_z = dz
        self.before_e = de
        self.before_speed = v
        if de > 0:
            kind |= 1
        elif de < 0:
            kind |= 4
        i = self.count
        self.queue_mm[i] = length
        self.queue_accel[i] = a
        self.queue_max_cruise_v2[i] = v * v
        self.queue_max_start_v2[i] = junction * junction
        self.queue_delta_v2[i] = 2 * a * length
        self.queue_reaches_any[i] = 0.0
        self._queue(i, kind, de)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _ramps(self, i: cython.Py_ssize_t, s2: cython.double, e2: cython.double) -> cython.void:
        """Turn a RepRapFirmware move into seconds, in whole clocks, C3."""
        c2: cython.double = 0.5 * (s2 + e2 + self.queue_delta_v2[i])
        inverse: cython.double = 1.0 / self.queue_accel[i]
        if self.queue_max_cruise_v2[i] < c2:
            c2 = self.queue_max_cruise_v2[i]
        if s2 > c2:
            s2 = c2
        if e2 > c2:
            e2 = c2
        vs = sqrt(s2)
        ve = sqrt(e2)
        vc = sqrt(c2)
        up = (vc - vs) * inverse
        down = (vc - ve) * inverse
        at = self.queue_mm[i] - 0.5 * (2 * c2 - s2 - e2) * inverse
        at = at / vc if at > 0 else 0.0
        t = up + at + down
        t -= floor(t * _RRF_CLOCK) / _RRF_CLOCK
        if at > t:
            at -= t
        elif up > t:
            up -= t
        self._add(i, up, at, down, vs, vc)

    # -- rare work, in Python ---------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _tabulate(
        self,
        i: cython.Py_ssize_t,
        up: cython.double,
        at: cython.double,
        down: cython.double,
        vs: cython.double,
    ) -> cython.void:
        """Write one row of the move table."""
        place: cython.Py_ssize_t = self.rows_tabled * _COLUMNS
        if place + _COLUMNS > len(self.table):
            self._lengthen()
            place = self.rows_tabled * _COLUMNS
        self.table[place] = self.queue_line[i]
        self.table[place + 1] = self.queue_kind[i]
        self.table[place + 2] = up
        self.table[place + 3] = at
        self.table[place + 4] = down
        self.table[place + 5] = (
            vs * self.queue_mm_per_step[i] if self.dialect == _MARLIN else vs
        )  # steps/s there
        self.rows_tabled += 1

    @cython.cfunc
    @cython.with_gil
    @cython.exceptval(check=False)
    def _lengthen(self) -> cython.void:
        """Give the move table more room."""
        self.table = array("d", [0.0])  # an array that is looked into cannot grow
        try:
            self.table_store.extend(bytes_of_zeros(len(self.table_store) + 1024 * TABLE_COLUMNS))
        except MemoryError:  # no exception can leave here: drain raises it
            self.starved = True
            self.rows_tabled = 0
        self.table = self.table_store

    @cython.cfunc
    @cython.with_gil
    @cython.exceptval(check=False)
    def _enlarge(self, room: cython.Py_ssize_t) -> cython.void:
        """Give the queue at least *room* places, doubling, within the cap; without memory, cap it here."""
        size: cython.Py_ssize_t = max(room, min(2 * self.room, self.cap))
        try:
            reals = [bytes_of_zeros(size) for _ in range(11)]
            whole = [array("q", bytes(8 * size)) for _ in range(4)]
        except MemoryError:  # no exception can leave here: the queue stays as long as it is
            self.cap = self.room
            return
        if self.store is not None:
            for old, new in zip(self.store, reals + whole, strict=True):
                new[: len(old)] = old
        self.store = reals + whole
        self.queue_mm = self.queue_steps = reals[0]
        self.queue_accel = self.queue_step_accel = reals[1]
        self.queue_max_cruise_v2 = self.queue_step_rate = reals[2]
        self.queue_max_start_v2 = reals[3]
        self.queue_max_smooth_start_v2 = self.queue_reaches_any = reals[4]
        self.queue_delta_v2 = reals[5]
        self.queue_smooth_delta_v2 = self.queue_steps_per_mm = reals[6]
        self.queue_start_v2 = reals[7]
        self.queue_smooth_start_v2 = self.queue_mm_per_step = reals[8]
        self.queue_cruise_v2 = reals[9]
        self.queue_flow = reals[10]
        self.queue_bucket, self.queue_slot, self.queue_kind, self.queue_line = whole
        self.room = size


def bytes_of_zeros(count: int) -> array:
    """Return *count* zeros as doubles."""
    return array("d", bytes(8 * count))
