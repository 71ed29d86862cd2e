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

RepRapFirmware's own ring is short, and the machine must be able to stop at the last move in it (C7).  A
stop there changes the backward pass in one way only: no start may exceed the sum of 2 a L from there to
that stop.  So one pass serves all rings; the sum is compared in the forward pass, exactly only where the
half of the ring that is always open to change might be too short.

Squared speeds end in ``_v2``.  Left out: positions outside a kilometre (``refused``), mesh levelling,
input shaping, hosts that cannot keep the queue full.
"""

from array import array
from typing import Any, Final

try:
    import cython
except ImportError:  # nothing is compiled here
    from gcodetool.puremode import cython
if not cython.compiled:  # compiled, they come from C, as planner.pxd says
    from math import acos, atan2, ceil, cos, fabs, floor, sin, sqrt

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
    _KLIPPER_MAX_VELOCITY=cython.int, _KLIPPER_MAX_ACCEL=cython.int, _KLIPPER_MAX_Z_VELOCITY=cython.int,
    _KLIPPER_MAX_Z_ACCEL=cython.int, _KLIPPER_SQUARE_CORNER_VELOCITY=cython.int,
    _KLIPPER_MINIMUM_CRUISE_RATIO=cython.int, _KLIPPER_MAX_EXTRUDE_ONLY_VELOCITY=cython.int,
    _KLIPPER_MAX_EXTRUDE_ONLY_ACCEL=cython.int, _KLIPPER_INSTANTANEOUS_CORNER_VELOCITY=cython.int,
    _KLIPPER_ARC_RESOLUTION=cython.int, _KLIPPER_RETRACT_LENGTH=cython.int,
    _KLIPPER_RETRACT_SPEED=cython.int, _KLIPPER_UNRETRACT_EXTRA_LENGTH=cython.int,
    _KLIPPER_UNRETRACT_SPEED=cython.int,
)
(
    _KLIPPER_MAX_VELOCITY, _KLIPPER_MAX_ACCEL, _KLIPPER_MAX_Z_VELOCITY, _KLIPPER_MAX_Z_ACCEL,
    _KLIPPER_SQUARE_CORNER_VELOCITY, _KLIPPER_MINIMUM_CRUISE_RATIO, _KLIPPER_MAX_EXTRUDE_ONLY_VELOCITY,
    _KLIPPER_MAX_EXTRUDE_ONLY_ACCEL, _KLIPPER_INSTANTANEOUS_CORNER_VELOCITY, _KLIPPER_ARC_RESOLUTION,
    _KLIPPER_RETRACT_LENGTH, _KLIPPER_RETRACT_SPEED, _KLIPPER_UNRETRACT_EXTRA_LENGTH,
    _KLIPPER_UNRETRACT_SPEED,
) = range(14)
# M205 J 0: a classic jerk build.  M207 S below 0: firmware retraction is not compiled in.
MARLIN_LIMITS: Final = (
    "M201 X", "M201 Y", "M201 Z", "M201 E", "M203 X", "M203 Y", "M203 Z", "M203 E",
    "M204 P", "M204 R", "M204 T", "M205 J", "M205 X", "M205 Y", "M205 Z", "M205 E", "M205 S", "M205 T",
    "M92 X", "M92 Y", "M92 Z", "M92 E", "M207 S", "M207 F", "M207 Z", "M208 S", "M208 F", "M900 K",
)
cython.declare(
    _MARLIN_M201_X=cython.int, _MARLIN_M201_Y=cython.int, _MARLIN_M201_Z=cython.int,
    _MARLIN_M201_E=cython.int, _MARLIN_M203_X=cython.int, _MARLIN_M203_Y=cython.int,
    _MARLIN_M203_Z=cython.int, _MARLIN_M203_E=cython.int, _MARLIN_M204_P=cython.int,
    _MARLIN_M204_R=cython.int, _MARLIN_M204_T=cython.int, _MARLIN_M205_J=cython.int,
    _MARLIN_M205_X=cython.int, _MARLIN_M205_Y=cython.int, _MARLIN_M205_Z=cython.int,
    _MARLIN_M205_E=cython.int, _MARLIN_M205_S=cython.int, _MARLIN_M205_T=cython.int,
    _MARLIN_M92_X=cython.int, _MARLIN_M92_Y=cython.int, _MARLIN_M92_Z=cython.int,
    _MARLIN_M92_E=cython.int, _MARLIN_M207_S=cython.int, _MARLIN_M207_F=cython.int,
    _MARLIN_M207_Z=cython.int, _MARLIN_M208_S=cython.int, _MARLIN_M208_F=cython.int,
    _MARLIN_M900_K=cython.int,
)
(
    _MARLIN_M201_X, _MARLIN_M201_Y, _MARLIN_M201_Z, _MARLIN_M201_E, _MARLIN_M203_X, _MARLIN_M203_Y,
    _MARLIN_M203_Z, _MARLIN_M203_E, _MARLIN_M204_P, _MARLIN_M204_R, _MARLIN_M204_T, _MARLIN_M205_J,
    _MARLIN_M205_X, _MARLIN_M205_Y, _MARLIN_M205_Z, _MARLIN_M205_E, _MARLIN_M205_S, _MARLIN_M205_T,
    _MARLIN_M92_X, _MARLIN_M92_Y, _MARLIN_M92_Z, _MARLIN_M92_E, _MARLIN_M207_S, _MARLIN_M207_F,
    _MARLIN_M207_Z, _MARLIN_M208_S, _MARLIN_M208_F, _MARLIN_M900_K,
) = range(28)
RRF_LIMITS: Final = (
    "M201 X", "M201 Y", "M201 Z", "M201 E", "M203 X", "M203 Y", "M203 Z", "M203 E",
    "M566 X", "M566 Y", "M566 Z", "M566 E", "M204 P", "M204 T", "M566 P", "M203 I",
    "M207 S", "M207 R", "M207 F", "M207 T", "M207 Z", "M572 S",
)
cython.declare(
    _RRF_M201_X=cython.int, _RRF_M201_Y=cython.int, _RRF_M201_Z=cython.int, _RRF_M201_E=cython.int,
    _RRF_M203_X=cython.int, _RRF_M203_Y=cython.int, _RRF_M203_Z=cython.int, _RRF_M203_E=cython.int,
    _RRF_M566_X=cython.int, _RRF_M566_Y=cython.int, _RRF_M566_Z=cython.int, _RRF_M566_E=cython.int,
    _RRF_M204_P=cython.int, _RRF_M204_T=cython.int, _RRF_M566_P=cython.int, _RRF_M203_I=cython.int,
    _RRF_M207_S=cython.int, _RRF_M207_R=cython.int, _RRF_M207_F=cython.int, _RRF_M207_T=cython.int,
    _RRF_M207_Z=cython.int, _RRF_M572_S=cython.int,
)
(
    _RRF_M201_X, _RRF_M201_Y, _RRF_M201_Z, _RRF_M201_E, _RRF_M203_X, _RRF_M203_Y, _RRF_M203_Z,
    _RRF_M203_E, _RRF_M566_X, _RRF_M566_Y, _RRF_M566_Z, _RRF_M566_E, _RRF_M204_P, _RRF_M204_T,
    _RRF_M566_P, _RRF_M203_I, _RRF_M207_S, _RRF_M207_R, _RRF_M207_F, _RRF_M207_T, _RRF_M207_Z,
    _RRF_M572_S,
) = range(22)
# fmt: on

FLOW_BINS: Final = 512  # of the histogram of volumetric flow, one row of them per tool
FLOW_BIN_MM3_S: Final = 0.125
# Per tool: retractions, travel, longest travel, forward path, longest retraction, how far the filament stands
# behind the furthest it was, filament of moves in X or Y (net).
TOOL_FIGURES: Final = 7
TABLE_COLUMNS: Final = 6  # line, kind, seconds up, at speed, down, speed at the start
QUEUE_CAP: Final = 100_000
# Moves in RepRapFirmware's ring, the one running among them: 60 in release 3.5.3's build that the reference
# cases come from; other boards have 40, and M595 adds to either (C6).
RRF_RING: Final = 60

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
_RRF_AHEAD = cython.declare(cython.double, 75000.0)  # clocks before a move is needed, to freeze it: 0.1 s, C7
_RRF_AMPLE_V2 = cython.declare(cython.double, 1.0e9)  # room to brake from any speed, (mm/s)^2


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
    accel: cython.double, part: cython.double, length2: cython.double, limit: cython.double
) -> cython.double:
    """Return *accel*, lowered so that its part along one axis, part/sqrt(w2), stays within *limit*."""
    if accel * accel * part * part > limit * limit * length2:
        return limit * sqrt(length2) / fabs(part)
    return accel


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
    ring : moves that RepRapFirmware holds at once, 4 or more.
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
    table_store: Any
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
    # RepRapFirmware's ring, and when its last moves end, in clocks since the stop before them
    ring: cython.Py_ssize_t
    frozen_at_most: cython.Py_ssize_t  # moves in it that are no longer open to change
    frozen_moves: cython.Py_ssize_t  # since that stop
    frozen_place: cython.Py_ssize_t  # in ring_end, of the next
    frozen_end: cython.double  # of the last
    ring_end: cython.double[::1]
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
    store: Any

    def __init__(
        self,
        dialect: int,
        limits: array,
        cap: int = QUEUE_CAP,
        batch: int = 512,
        ring: int = RRF_RING,
    ) -> None:
        self.dialect = dialect
        self.ring = max(ring, 4)
        self.frozen_at_most = (self.ring + 1) // 2
        self.frozen_moves = self.frozen_place = 0
        self.frozen_end = 0.0
        self.ring_end = array("d", bytes(8 * (self.frozen_at_most if dialect == _RRF else 1)))
        self.cap = max(cap, self.ring + 4 if dialect == _RRF else 4)
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
        taken: array = self.table_store[: self.rows_tabled * TABLE_COLUMNS]
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
            self.mm_per_step_x = 1.0 / self.limits[_MARLIN_M92_X]
            self.mm_per_step_y = 1.0 / self.limits[_MARLIN_M92_Y]
            self.mm_per_step_z = 1.0 / self.limits[_MARLIN_M92_Z]
            self.mm_per_step_e = 1.0 / self.limits[_MARLIN_M92_E]
            self.at_step_x = floor(self.position_x * self.limits[_MARLIN_M92_X] + 0.5)
            self.at_step_y = floor(self.position_y * self.limits[_MARLIN_M92_Y] + 0.5)
            self.at_step_z = floor(self.position_z * self.limits[_MARLIN_M92_Z] + 0.5)
            self.at_step_e = floor(self.filament_mm * self.limits[_MARLIN_M92_E] + 0.5)

    def take(self, rows: Any, begin: cython.Py_ssize_t, end: cython.Py_ssize_t) -> cython.Py_ssize_t:
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
                            self.at_step_e / self.limits[_MARLIN_M92_E]
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
        self.frozen_moves = 0
        self.frozen_place = 0
        self.frozen_end = 0.0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _refresh(self) -> cython.void:
        """Take the limits in force from the array that they are kept in."""
        if self.dialect == _KLIPPER:
            self.max_velocity = self.limits[_KLIPPER_MAX_VELOCITY]
            self.max_accel = self.limits[_KLIPPER_MAX_ACCEL]
            self.max_z_velocity = self.limits[_KLIPPER_MAX_Z_VELOCITY]
            self.max_z_accel = self.limits[_KLIPPER_MAX_Z_ACCEL]
            self.max_extrude_velocity = self.limits[_KLIPPER_MAX_EXTRUDE_ONLY_VELOCITY]
            self.max_extrude_accel = self.limits[_KLIPPER_MAX_EXTRUDE_ONLY_ACCEL]
            self.corner_v2 = (
                self.limits[_KLIPPER_SQUARE_CORNER_VELOCITY]
                * self.limits[_KLIPPER_SQUARE_CORNER_VELOCITY]
                * _CORNER
            )
            self.mcr_accel = self.limits[_KLIPPER_MAX_ACCEL] * (
                1.0 - self.limits[_KLIPPER_MINIMUM_CRUISE_RATIO]
            )
            self.extruder_corner_velocity = self.limits[_KLIPPER_INSTANTANEOUS_CORNER_VELOCITY]
        elif self.dialect == _RRF:
            self.max_accel_x = self.limits[_RRF_M201_X]
            self.max_accel_y = self.limits[_RRF_M201_Y]
            self.max_accel_z = self.limits[_RRF_M201_Z]
            self.max_accel_e = self.limits[_RRF_M201_E]
            self.max_speed_x = self.limits[_RRF_M203_X]
            self.max_speed_y = self.limits[_RRF_M203_Y]
            self.max_speed_z = self.limits[_RRF_M203_Z]
            self.max_speed_e = self.limits[_RRF_M203_E]
            self.jerk_x = self.limits[_RRF_M566_X]
            self.jerk_y = self.limits[_RRF_M566_Y]
            self.jerk_z = self.limits[_RRF_M566_Z]
            self.jerk_e = self.limits[_RRF_M566_E]
            self.print_accel = self.limits[_RRF_M204_P]
            self.travel_accel = self.limits[_RRF_M204_T]
            self.min_speed = self.limits[_RRF_M203_I]
            self.pressure_advance = self.limits[_RRF_M572_S]
        else:
            self.max_accel_x = self.limits[_MARLIN_M201_X]
            self.max_accel_y = self.limits[_MARLIN_M201_Y]
            self.max_accel_z = self.limits[_MARLIN_M201_Z]
            self.max_accel_e = self.limits[_MARLIN_M201_E]
            self.max_speed_x = self.limits[_MARLIN_M203_X]
            self.max_speed_y = self.limits[_MARLIN_M203_Y]
            self.max_speed_z = self.limits[_MARLIN_M203_Z]
            self.max_speed_e = self.limits[_MARLIN_M203_E]
            self.jerk_x = self.limits[_MARLIN_M205_X]
            self.jerk_y = self.limits[_MARLIN_M205_Y]
            self.jerk_z = self.limits[_MARLIN_M205_Z]
            self.jerk_e = self.limits[_MARLIN_M205_E]
            self.junction_deviation = self.limits[_MARLIN_M205_J]
            self.print_accel = self.limits[_MARLIN_M204_P]
            self.travel_accel = self.limits[_MARLIN_M204_T]
            self.retract_accel = self.limits[_MARLIN_M204_R]
            self.min_speed = self.limits[_MARLIN_M205_S]
            self.min_travel_speed = self.limits[_MARLIN_M205_T]
            self.pressure_advance = self.limits[_MARLIN_M900_K]
            self.steps_per_mm_x = self.limits[_MARLIN_M92_X]
            self.steps_per_mm_y = self.limits[_MARLIN_M92_Y]
            self.steps_per_mm_z = self.limits[_MARLIN_M92_Z]
            self.steps_per_mm_e = self.limits[_MARLIN_M92_E]
            self.max_step_accel_x = self.limits[_MARLIN_M201_X] * self.limits[_MARLIN_M92_X]
            self.max_step_accel_y = self.limits[_MARLIN_M201_Y] * self.limits[_MARLIN_M92_Y]
            self.max_step_accel_z = self.limits[_MARLIN_M201_Z] * self.limits[_MARLIN_M92_Z]
            self.max_step_accel_e = self.limits[_MARLIN_M201_E] * self.limits[_MARLIN_M92_E]

    # -- rows ---------------------------------------------------------------------------------------

    @cython.cfunc
    @cython.inline
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
                self.limits[_KLIPPER_MAX_ACCEL] = s
        elif self.dialect == _RRF:
            if 0 < s < _UNBOUNDED:
                self.limits[_RRF_M204_P] = s
                self.limits[_RRF_M204_T] = s
            if 0 < p < _UNBOUNDED:
                self.limits[_RRF_M204_P] = p
            if 0 < t < _UNBOUNDED:
                self.limits[_RRF_M204_T] = t
        else:
            if 0 < s < _UNBOUNDED:
                self.limits[_MARLIN_M204_P] = s
                self.limits[_MARLIN_M204_T] = s
            if 0 < p < _UNBOUNDED:
                self.limits[_MARLIN_M204_P] = p
            if 0 < r < _UNBOUNDED:
                self.limits[_MARLIN_M204_R] = r
            if 0 < t < _UNBOUNDED:
                self.limits[_MARLIN_M204_T] = t
        self._refresh()

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _retraction(self, back: cython.bint) -> cython.void:
        """G10 and G11 as the firmware's own retraction; a repeat does nothing."""
        lift: cython.double = 0.0
        feed: cython.double = self.feed
        if self.dialect == _KLIPPER:
            length = self.limits[_KLIPPER_RETRACT_LENGTH]
            again = length + self.limits[_KLIPPER_UNRETRACT_EXTRA_LENGTH]
            speed = self.limits[_KLIPPER_RETRACT_SPEED] if back else self.limits[_KLIPPER_UNRETRACT_SPEED]
        elif self.dialect == _RRF:
            length = self.limits[_RRF_M207_S]
            again = length + self.limits[_RRF_M207_R]
            speed = self.limits[_RRF_M207_F] if back else self.limits[_RRF_M207_T]
            lift = self.limits[_RRF_M207_Z]
        else:
            length = self.limits[_MARLIN_M207_S]
            again = length + self.limits[_MARLIN_M208_S]
            speed = self.limits[_MARLIN_M207_F] if back else self.limits[_MARLIN_M208_F]
            lift = self.limits[_MARLIN_M207_Z]
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
            self.at_step_z = (
                floor(height * self.limits[_MARLIN_M92_Z] + 0.5) if self.dialect == _MARLIN else 0.0
            )
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
            chords = floor(sqrt(length * length + half * half) / self.limits[_KLIPPER_ARC_RESOLUTION])
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
        length2: cython.double = dx * dx + dy * dy + dz * dz
        only_filament: cython.bint = length2 < 1e-18
        kind: cython.int = 0
        place: cython.Py_ssize_t
        if only_filament:
            if de == 0:
                return
            length = fabs(de)
            dx = dy = dz = 0.0
            filament_per_mm = 1.0 if de > 0 else -1.0
            speed = self.feed if self.feed < self.max_extrude_velocity else self.max_extrude_velocity
            accel = self.max_extrude_accel
        else:
            length = sqrt(length2)
            ratio = 1.0 / length
            dx *= ratio
            dy *= ratio
            filament_per_mm = de * ratio
            speed = self.feed if self.feed < self.max_velocity else self.max_velocity
            accel = self.max_accel
            if dz != 0:
                dz *= ratio
                ratio = 1.0 / fabs(dz)
                if self.max_z_velocity * ratio < speed:
                    speed = self.max_z_velocity * ratio
                if self.max_z_accel * ratio < accel:
                    accel = self.max_z_accel * ratio
            if filament_per_mm < 0 or (filament_per_mm != 0 and dx == 0 and dy == 0):
                ratio = 1.0 / fabs(filament_per_mm)
                if self.max_extrude_velocity * ratio < speed:
                    speed = self.max_extrude_velocity * ratio
                if self.max_extrude_accel * ratio < accel:
                    accel = self.max_extrude_accel * ratio
            if dx != 0 or dy != 0:
                kind = 2
        cruise_v2 = speed * speed
        delta_v2 = 2 * accel * length
        smooth_delta_v2 = 2 * self.mcr_accel * length
        if smooth_delta_v2 > delta_v2:
            smooth_delta_v2 = delta_v2
        corner_v2 = self.corner_v2
        if accel != self.max_accel:
            corner_v2 = corner_v2 * accel / self.max_accel  # jd * a
        if self.fresh or only_filament or self.before_only_filament:
            start_v2 = 0.0
            smooth_start_v2 = 0.0
        else:
            start_v2 = cruise_v2 if cruise_v2 < self.before_cruise_v2 else self.before_cruise_v2
            limit = self.before_start_v2 + self.before_delta_v2
            if limit < start_v2:
                start_v2 = limit
            if filament_per_mm != self.before_e:
                limit = self.extruder_corner_velocity / (filament_per_mm - self.before_e)
                limit = limit * limit
                if limit < start_v2:
                    start_v2 = limit
            cosine = -(self.before_x * dx + self.before_y * dy + self.before_z * dz)
            sin2_half = 0.5 * (1.0 - cosine)
            cos2_half = 0.5 * (1.0 + cosine)
            if sin2_half < 1.0 and cos2_half > 0:
                # corner·s / (1 - s) with s = sin of half the angle; root and quotient only where it bites
                limit = corner_v2 if corner_v2 < self.before_corner_v2 else self.before_corner_v2
                ratio = limit + start_v2
                if sin2_half * ratio * ratio < start_v2 * start_v2:
                    ratio = sqrt(sin2_half) if sin2_half > 0 else 0.0
                    start_v2 = limit * ratio / (1.0 - ratio)
                # L·a·T/2 with T = tan of half the angle, likewise
                limit = 0.25 * (delta_v2 if delta_v2 < self.before_delta_v2 else self.before_delta_v2)
                if limit * limit * sin2_half < start_v2 * start_v2 * cos2_half:
                    start_v2 = limit * sqrt(sin2_half / cos2_half) if sin2_half > 0 else 0.0
            smooth_start_v2 = self.before_smooth_start_v2 + self.before_smooth_delta_v2
            if start_v2 < smooth_start_v2:
                smooth_start_v2 = start_v2
        self.fresh = False
        self.before_only_filament = only_filament
        self.before_x = dx
        self.before_y = dy
        self.before_z = dz
        self.before_e = filament_per_mm
        self.before_cruise_v2 = cruise_v2
        self.before_delta_v2 = delta_v2
        self.before_smooth_delta_v2 = smooth_delta_v2
        self.before_start_v2 = start_v2
        self.before_smooth_start_v2 = smooth_start_v2
        self.before_corner_v2 = corner_v2
        if de > 0:
            kind |= 1
        elif de < 0:
            kind |= 4
        place = self.count
        self.queue_mm[place] = length
        self.queue_accel[place] = accel
        self.queue_max_cruise_v2[place] = cruise_v2
        self.queue_max_start_v2[place] = start_v2
        self.queue_max_smooth_start_v2[place] = smooth_start_v2
        self.queue_delta_v2[place] = delta_v2
        self.queue_smooth_delta_v2[place] = smooth_delta_v2
        self._queue(place, kind, filament_per_mm)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _queue(
        self, place: cython.Py_ssize_t, kind: cython.int, filament_per_unit: cython.double
    ) -> cython.void:
        """Fill the columns that every dialect has, and plan where a batch is full."""
        self.queue_kind[place] = kind
        self.queue_bucket[place] = self.bucket
        self.queue_slot[place] = self.slot
        self.queue_line[place] = self.line
        self.queue_flow[place] = filament_per_unit * self.area * _BINS_PER_MM3_S if kind == 3 else 0.0
        self.moves += 1
        self.count = place + 1
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
        if self.dialect == _RRF and not final and ready > self.count - self.ring:
            ready = self.count - self.ring if self.count > self.ring else 0  # those need all of their ring
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
            elif self.dialect == _MARLIN:
                self._commit_marlin(ready, final)
            else:
                self._commit_rrf(ready, final)
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
        start_v2: cython.double = 0.0
        smooth_v2: cython.double = 0.0
        high_start_v2: cython.double = 0.0
        high_smooth_v2: cython.double = 0.0
        peak_v2: cython.double = 0.0
        peak_known: cython.bint = final  # whether the peak is
        next_held: cython.bint = False  # the move just after cannot speed up
        ready: cython.Py_ssize_t
        if not final:
            high_start_v2 = high_smooth_v2 = _UNBOUNDED
            while i > 0:
                i -= 1
                reach_v2 = start_v2 + self.queue_delta_v2[i]
                start_v2 = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach_v2 else reach_v2
                high_reach_v2 = high_start_v2 + self.queue_delta_v2[i]
                high_start_v2 = (
                    self.queue_max_start_v2[i]
                    if self.queue_max_start_v2[i] < high_reach_v2
                    else high_reach_v2
                )
                smooth_reach_v2 = smooth_v2 + self.queue_smooth_delta_v2[i]
                smooth_v2 = (
                    self.queue_max_smooth_start_v2[i]
                    if self.queue_max_smooth_start_v2[i] < smooth_reach_v2
                    else smooth_reach_v2
                )
                high_reach_v2 = high_smooth_v2 + self.queue_smooth_delta_v2[i]
                high_smooth_v2 = (
                    self.queue_max_smooth_start_v2[i]
                    if self.queue_max_smooth_start_v2[i] < high_reach_v2
                    else high_reach_v2
                )
                if (
                    start_v2 == high_start_v2
                    and smooth_v2 == high_smooth_v2
                    and smooth_v2 < smooth_reach_v2
                    and smooth_v2 < high_reach_v2
                ):
                    break
            else:
                return 0
            self.queue_start_v2[i] = start_v2
            self.queue_smooth_start_v2[i] = smooth_v2
        ready = i
        while i > 0:
            i -= 1
            reach_v2 = start_v2 + self.queue_delta_v2[i]
            earlier_v2 = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach_v2 else reach_v2
            smooth_reach_v2 = smooth_v2 + self.queue_smooth_delta_v2[i]
            if self.queue_max_smooth_start_v2[i] < smooth_reach_v2:
                if next_held or self.queue_max_smooth_start_v2[i] + self.queue_smooth_delta_v2[i] > smooth_v2:
                    peak_v2 = 0.5 * (self.queue_max_smooth_start_v2[i] + smooth_reach_v2)
                    peak_known = True
                elif not peak_known:
                    ready = i
                next_held = False
                smooth_v2 = self.queue_max_smooth_start_v2[i]
                cruise_v2 = 0.5 * (earlier_v2 + reach_v2)
                if self.queue_max_cruise_v2[i] < cruise_v2:
                    cruise_v2 = self.queue_max_cruise_v2[i]
                if peak_v2 < cruise_v2:
                    cruise_v2 = peak_v2
                self.queue_cruise_v2[i] = cruise_v2
            else:
                next_held = True
                smooth_v2 = smooth_reach_v2
                self.queue_cruise_v2[i] = -1.0
            start_v2 = earlier_v2
            self.queue_start_v2[i] = start_v2
            self.queue_smooth_start_v2[i] = smooth_v2
        return ready

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit_klipper(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Turn the first *ready* moves into seconds, first to last."""
        i: cython.Py_ssize_t
        cruise_v2: cython.double = self.last_cruise_v2
        last_end_v2: cython.double = -1.0
        last_end: cython.double = 0.0
        for i in range(ready):
            start_v2 = self.queue_start_v2[i]
            if self.queue_cruise_v2[i] >= 0:
                cruise_v2 = self.queue_cruise_v2[i]
            elif start_v2 < cruise_v2:
                cruise_v2 = start_v2
            if cruise_v2 < 1e-12:  # a limit of nearly nothing: slow, but never for ever
                cruise_v2 = 1e-12
            end_v2 = self.queue_start_v2[i + 1] if i + 1 < self.count else 0.0
            if start_v2 > cruise_v2:
                start_v2 = cruise_v2
            if end_v2 > cruise_v2:
                end_v2 = cruise_v2
            cruise = sqrt(cruise_v2)
            start = last_end if start_v2 == last_end_v2 else sqrt(start_v2)
            end = cruise if end_v2 == cruise_v2 else sqrt(end_v2)
            last_end = end
            last_end_v2 = end_v2
            per_accel = 1.0 / self.queue_accel[i]
            cruise_s = self.queue_mm[i] - 0.5 * (2 * cruise_v2 - start_v2 - end_v2) * per_accel
            cruise_s = cruise_s / cruise if cruise_s > 0 else 0.0
            up_s = (cruise - start) * per_accel
            down_s = (cruise - end) * per_accel
            self._add(i, up_s, cruise_s, down_s, start, cruise)
        self.last_cruise_v2 = cruise_v2
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
        start_v2: cython.double = 0.0
        high_start_v2: cython.double = _UNBOUNDED
        ready: cython.Py_ssize_t
        if self.dialect == _MARLIN:
            start_v2 = _MARLIN_MINIMUM_V2
        if not final:
            while i > 0:
                i -= 1
                if self.queue_reaches_any[i] != 0:
                    start_v2 = high_start_v2 = self.queue_max_start_v2[i]
                    break
                reach_v2 = start_v2 + self.queue_delta_v2[i]
                start_v2 = self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach_v2 else reach_v2
                reach_v2 = high_start_v2 + self.queue_delta_v2[i]
                high_start_v2 = (
                    self.queue_max_start_v2[i] if self.queue_max_start_v2[i] < reach_v2 else reach_v2
                )
                if start_v2 == high_start_v2:
                    break
            else:
                return 0
            self.queue_start_v2[i] = start_v2
        ready = i
        while i > 0:
            i -= 1
            reach_v2 = start_v2 + self.queue_delta_v2[i]
            start_v2 = (
                self.queue_max_start_v2[i]
                if self.queue_reaches_any[i] != 0 or self.queue_max_start_v2[i] < reach_v2
                else reach_v2
            )
            self.queue_start_v2[i] = start_v2
        return ready

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit_marlin(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Forward pass of B4 over the first *ready* moves, and their seconds."""
        i: cython.Py_ssize_t
        start_v2 = self.queue_start_v2[0]
        start = sqrt(start_v2)
        for i in range(ready):
            end_v2 = _MARLIN_MINIMUM_V2
            if i + 1 < self.count:
                end_v2 = self.queue_start_v2[i + 1]
                if (
                    self.queue_reaches_any[i] == 0
                    and start_v2 < end_v2
                    and start_v2 + self.queue_delta_v2[i] < end_v2
                ):
                    end_v2 = start_v2 + self.queue_delta_v2[i]
            end = sqrt(end_v2)
            self._steps(i, start, end)
            start = end
            start_v2 = end_v2
        if ready < self.count and not final:
            self.queue_max_start_v2[ready] = start_v2  # settled: later passes can only find it again

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit_rrf(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Forward pass of C3 over the first *ready* moves, as the ring allows it, and their seconds."""
        i: cython.Py_ssize_t
        open_moves: cython.Py_ssize_t = self.ring // 2  # after the one in hand, at the least
        start_v2 = self.queue_start_v2[0]
        room_v2: cython.double = 0.0  # that these leave to brake; rounded, so it only bids to look closer
        for i in range(1, open_moves + 1 if open_moves < self.count else 1):
            delta_v2 = self.queue_delta_v2[i]
            room_v2 += delta_v2 if delta_v2 < _RRF_AMPLE_V2 else _RRF_AMPLE_V2
        for i in range(ready):
            end_v2 = 0.0
            if i + 1 < self.count:
                end_v2 = self.queue_start_v2[i + 1]
                if start_v2 < end_v2 and start_v2 + self.queue_delta_v2[i] < end_v2:
                    end_v2 = start_v2 + self.queue_delta_v2[i]
                if i + 1 + open_moves < self.count:
                    if room_v2 < end_v2 + 1.0:
                        end_v2 = self._within_ring(i, end_v2)
                    delta_v2 = self.queue_delta_v2[i + 1]
                    room_v2 -= delta_v2 if delta_v2 < _RRF_AMPLE_V2 else _RRF_AMPLE_V2
                    delta_v2 = self.queue_delta_v2[i + 1 + open_moves]
                    room_v2 += delta_v2 if delta_v2 < _RRF_AMPLE_V2 else _RRF_AMPLE_V2
            self.frozen_end += self._ramps(i, start_v2, end_v2)
            self.ring_end[self.frozen_place] = self.frozen_end
            self.frozen_moves += 1
            self.frozen_place += 1
            if self.frozen_place == self.frozen_at_most:
                self.frozen_place = 0
            start_v2 = end_v2
        if ready < self.count and not final:
            self.queue_max_start_v2[ready] = start_v2  # settled: later passes can only find it again

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _within_ring(self, i: cython.Py_ssize_t, end_v2: cython.double) -> cython.double:
        """Return *end_v2* of move *i*, lowered so that the moves in the ring behind it can stop the machine.

        C7: a move is frozen 0.1 s before it is needed, but not while half the ring is frozen; the ring
        then holds as many moves as it has room for.
        """
        place: cython.Py_ssize_t = self.frozen_place
        last: cython.Py_ssize_t = i + self.ring
        room_v2: cython.double = 0.0
        now: cython.double = self.frozen_end - _RRF_AHEAD
        n: cython.Py_ssize_t
        if self.frozen_moves >= self.frozen_at_most and self.ring_end[place] > now:
            now = self.ring_end[place]  # the oldest must end first
        n = self.frozen_moves
        while n > 0:  # each that has not ended yet takes a place
            n -= 1
            place = (place if place > 0 else self.frozen_at_most) - 1
            if self.ring_end[place] <= now:
                break
            last -= 1
        if last >= self.count:
            return end_v2
        for n in range(i + 1, last):
            room_v2 += self.queue_delta_v2[n]
            if room_v2 >= end_v2:
                return end_v2
        return room_v2

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _add(
        self,
        i: cython.Py_ssize_t,
        up_s: cython.double,
        cruise_s: cython.double,
        down_s: cython.double,
        start: cython.double,
        cruise: cython.double,
    ) -> cython.void:
        """Count a final move into its bucket."""
        bucket: cython.Py_ssize_t = self.queue_bucket[i]
        kind: cython.int = self.queue_kind[i]
        seconds: cython.double = up_s + cruise_s + down_s
        flow_bin: cython.Py_ssize_t
        self.moving_s[bucket] += seconds
        if kind & 1:
            self.forward_s[bucket] += seconds
            self.last_s[bucket] = self.moving_s[bucket] + self.waiting_s[bucket]
            if kind == 3:
                flow = self.queue_flow[i] * cruise
                flow_bin = cython.cast(cython.Py_ssize_t, flow) if flow < _BINS else _BINS - 1
                self.histogram[self.queue_slot[i] * _BINS + flow_bin] += seconds
        if self.tabled:
            self._tabulate(i, up_s, cruise_s, down_s, start)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _shift(self, ready: cython.Py_ssize_t) -> cython.void:
        """Move what is left to the front of the queue; columns that share their memory, once."""
        i: cython.Py_ssize_t
        source: cython.Py_ssize_t
        for i in range(self.count - ready):
            source = i + ready
            self.queue_mm[i] = self.queue_mm[source]
            self.queue_accel[i] = self.queue_accel[source]
            self.queue_max_cruise_v2[i] = self.queue_max_cruise_v2[source]
            self.queue_max_start_v2[i] = self.queue_max_start_v2[source]
            self.queue_max_smooth_start_v2[i] = self.queue_max_smooth_start_v2[source]
            self.queue_delta_v2[i] = self.queue_delta_v2[source]
            self.queue_smooth_delta_v2[i] = self.queue_smooth_delta_v2[source]
            self.queue_start_v2[i] = self.queue_start_v2[source]
            self.queue_smooth_start_v2[i] = self.queue_smooth_start_v2[source]
            self.queue_cruise_v2[i] = self.queue_cruise_v2[source]
            self.queue_flow[i] = self.queue_flow[source]
            self.queue_bucket[i] = self.queue_bucket[source]
            self.queue_slot[i] = self.queue_slot[source]
            self.queue_kind[i] = self.queue_kind[source]
            self.queue_line[i] = self.queue_line[source]
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
        place: cython.Py_ssize_t
        to_step_x = _floor(tx * self.steps_per_mm_x + 0.5)
        to_step_y = _floor(ty * self.steps_per_mm_y + 0.5)
        to_step_z = _floor(tz * self.steps_per_mm_z + 0.5)
        self.filament_mm += de
        to_step_e = _floor(self.filament_mm * self.steps_per_mm_e + 0.5)
        steps_x = to_step_x - self.at_step_x
        steps_y = to_step_y - self.at_step_y
        steps_z = to_step_z - self.at_step_z
        steps_e = to_step_e - self.at_step_e
        mm_x = steps_x * self.mm_per_step_x
        mm_y = steps_y * self.mm_per_step_y
        mm_z = steps_z * self.mm_per_step_z
        mm_e = steps_e * self.mm_per_step_e
        steps_x = fabs(steps_x)
        steps_y = fabs(steps_y)
        steps_z = fabs(steps_z)
        steps_e = fabs(steps_e)
        most_steps = steps_x if steps_x > steps_y else steps_y
        most_steps = steps_z if steps_z > most_steps else most_steps
        if most_steps < _MARLIN_SHORTEST:
            if steps_e < _MARLIN_SHORTEST:
                if tx != self.position_x or ty != self.position_y or tz != self.position_z or de != 0:
                    self.dropped += 1
                return
            length = fabs(mm_e)
        else:
            length = sqrt(mm_x * mm_x + mm_y * mm_y + mm_z * mm_z)
        most_steps = steps_e if steps_e > most_steps else most_steps
        self.at_step_x = to_step_x
        self.at_step_y = to_step_y
        self.at_step_z = to_step_z
        self.at_step_e = to_step_e
        per_length = 1.0 / length
        per_steps = 1.0 / most_steps
        # speed, B1: one factor makes every axis obey M203
        speed = self.feed
        limit = self.min_speed if steps_e > 0 else self.min_travel_speed
        speed = limit if limit > speed else speed
        steps_per_mm = most_steps * per_length
        rate = _ceil(speed * steps_per_mm - _ROUNDING)
        top = speed * per_length
        limit = top
        limit = _within(limit, mm_x, self.max_speed_x)
        limit = _within(limit, mm_y, self.max_speed_y)
        limit = _within(limit, mm_z, self.max_speed_z)
        limit = _within(limit, mm_e, self.max_speed_e)
        if limit < top:
            speed = limit * length
            rate = _floor(rate * limit / top + _ROUNDING)
        # acceleration, B2, in whole steps/s2
        if steps_x == 0 and steps_y == 0 and steps_z == 0:
            step_accel = _ceil(self.retract_accel * steps_per_mm - _ROUNDING)
        else:
            accel = self.print_accel if steps_e > 0 else self.travel_accel
            if self.pressure_advance > 0 and steps_e > 0 and de > 0:  # M900: linear advance
                limit = self.jerk_e
                if self.junction_deviation > 0:
                    limit = sqrt(2.414 * self.junction_deviation * self.max_accel_e)
                accel = _within(accel, self.pressure_advance * mm_e * per_length, limit)
            step_accel = _ceil(accel * steps_per_mm - _ROUNDING)
            limit = step_accel * per_steps
            limit = _within(limit, steps_x, self.max_step_accel_x)
            limit = _within(limit, steps_y, self.max_step_accel_y)
            limit = _within(limit, steps_z, self.max_step_accel_z)
            limit = _within(limit, steps_e, self.max_step_accel_e)
            if limit * most_steps < step_accel:
                step_accel = _floor(limit * most_steps + _ROUNDING)
        step_accel = step_accel if step_accel > 1 else 1.0
        rate = rate if rate > 1 else 1.0
        accel = step_accel * per_steps * length
        filament_per_step = fabs(mm_e) * per_steps  # per step
        if self.junction_deviation > 0:
            if mm_e != 0:
                per_length = 1.0 / sqrt(mm_x * mm_x + mm_y * mm_y + mm_z * mm_z + mm_e * mm_e)
            start_v2 = self._junction_deviation(
                mm_x * per_length,
                mm_y * per_length,
                mm_z * per_length,
                mm_e * per_length,
                length,
                speed,
                accel,
            )
        else:
            per_length *= speed
            start_v2 = self._classic_jerk(
                mm_x * per_length, mm_y * per_length, mm_z * per_length, mm_e * per_length, speed
            )
        self.fresh = False
        self.before_speed = speed
        if de > 0:
            kind = 1
        elif de < 0:
            kind = 4
        if steps_x > 0 or steps_y > 0:
            kind |= 2
        place = self.count
        self.queue_steps[place] = most_steps
        self.queue_step_accel[place] = step_accel
        self.queue_step_rate[place] = rate
        self.queue_max_start_v2[place] = start_v2
        self.queue_delta_v2[place] = 2 * accel * length
        self.queue_reaches_any[place] = (
            1.0 if speed * speed <= self.queue_delta_v2[place] + _MARLIN_MINIMUM_V2 else 0.0
        )
        self.queue_steps_per_mm[place] = rate / speed  # steps per mm, as the rounded rate has it
        self.queue_mm_per_step[place] = length * per_steps
        self._queue(place, kind, filament_per_step)

    @cython.cfunc
    @cython.inline
    @cython.nogil
    @cython.exceptval(check=False)
    def _junction_deviation(
        self,
        ux: cython.double,
        uy: cython.double,
        uz: cython.double,
        ue: cython.double,
        length: cython.double,
        speed: cython.double,
        accel: cython.double,
    ) -> cython.double:
        """Return the squared speed at the start of a move, B3a; u is its direction, filament included."""
        turn_x = self.before_x
        turn_y = self.before_y
        turn_z = self.before_z
        turn_e = self.before_e
        self.before_x = ux
        self.before_y = uy
        self.before_z = uz
        self.before_e = ue
        if self.fresh:
            return 0.0
        cosine = -(turn_x * ux + turn_y * uy + turn_z * uz + turn_e * ue)
        if cosine > 0.999999:
            return _MARLIN_MINIMUM_V2
        if cosine < -0.999999:
            cosine = -0.999999
        turn_x = ux - turn_x
        turn_y = uy - turn_y
        turn_z = uz - turn_z
        turn_e = ue - turn_e
        turn2 = turn_x * turn_x + turn_y * turn_y + turn_z * turn_z + turn_e * turn_e
        if turn2 > 0:  # the corner's own direction, capped by each axis
            accel = _within_corner(accel, turn_x, turn2, self.max_accel_x)
            accel = _within_corner(accel, turn_y, turn2, self.max_accel_y)
            accel = _within_corner(accel, turn_z, turn2, self.max_accel_z)
            accel = _within_corner(accel, turn_e, turn2, self.max_accel_e)
        start_v2 = speed if speed < self.before_speed else self.before_speed
        start_v2 = start_v2 * start_v2
        if self.arc_radius_mm > 0:
            limit = accel * self.arc_radius_mm
            return limit if limit < start_v2 else start_v2
        # a·J·s / (1 - s) with s = sin of half the corner; root and quotient only where it bites
        sin2_half = 0.5 * (1.0 - cosine)
        limit = accel * self.junction_deviation
        bound = limit + start_v2
        if sin2_half * bound * bound < start_v2 * start_v2:
            sin_half = sqrt(sin2_half)
            start_v2 = limit * sin_half / (1.0 - sin_half)
        if length < 1 and cosine < -0.7071067812:
            # the turn's angle lies between its chord and 1.03 times that: acos only where it may bite
            limit = length * accel
            bound = 2.0 * (1.0 + cosine)
            if limit * limit < 1.07 * bound * start_v2 * start_v2:
                limit = limit / acos(-cosine)
                start_v2 = limit if limit < start_v2 else start_v2
        return start_v2

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _classic_jerk(
        self,
        speed_x: cython.double,
        speed_y: cython.double,
        speed_z: cython.double,
        speed_e: cython.double,
        speed: cython.double,
    ) -> cython.double:
        """Return the squared speed at the start of a move, B3b; c are the speeds of each axis."""
        safe_speed = 1.0
        safe_speed = _within(safe_speed, speed_x, self.jerk_x)
        safe_speed = _within(safe_speed, speed_y, self.jerk_y)
        safe_speed = _within(safe_speed, speed_z, self.jerk_z)
        safe_speed = _within(safe_speed, speed_e, self.jerk_e)
        safe_speed *= speed
        join_speed = safe_speed
        if not self.fresh:
            join_speed = speed if speed < self.before_speed else self.before_speed
            scale = speed / self.before_speed if speed < self.before_speed else 1.0
            share = 1.0
            share = _within(share, _jump(self.before_speed_x * scale, speed_x), self.jerk_x)
            share = _within(share, _jump(self.before_speed_y * scale, speed_y), self.jerk_y)
            share = _within(share, _jump(self.before_speed_z * scale, speed_z), self.jerk_z)
            share = _within(share, _jump(self.before_speed_e * scale, speed_e), self.jerk_e)
            join_speed *= share
            if safe_speed > 0.99 * join_speed and self.before_safe_speed > 0.99 * join_speed:
                join_speed = safe_speed
        self.before_speed_x = speed_x
        self.before_speed_y = speed_y
        self.before_speed_z = speed_z
        self.before_speed_e = speed_e
        self.before_safe_speed = safe_speed
        return join_speed * join_speed

    @cython.cfunc
    @cython.inline
    @cython.nogil
    @cython.exceptval(check=False)
    def _steps(self, i: cython.Py_ssize_t, start: cython.double, end: cython.double) -> cython.void:
        """Turn a Marlin move into seconds: ramps in whole steps and whole rates, B4."""
        steps = self.queue_steps[i]
        rate = self.queue_step_rate[i]
        twice_accel = 2.0 * self.queue_step_accel[i]
        per_twice_accel = 1.0 / twice_accel
        per_accel = 2.0 * per_twice_accel
        first_rate = _ceil(start * self.queue_steps_per_mm[i] - _ROUNDING)
        last_rate = _ceil(end * self.queue_steps_per_mm[i] - _ROUNDING)
        first_rate = first_rate if first_rate > _MARLIN_RATE_FLOOR else _MARLIN_RATE_FLOOR
        last_rate = last_rate if last_rate > _MARLIN_RATE_FLOOR else _MARLIN_RATE_FLOOR
        top_rate = rate
        up_steps = (rate * rate - first_rate * first_rate) * per_twice_accel
        down_steps = (rate * rate - last_rate * last_rate) * per_twice_accel
        up_steps = up_steps if up_steps > 0 else 0.0
        down_steps = down_steps if down_steps > 0 else 0.0
        if (
            up_steps < steps
            and down_steps < steps
            and _ceil(up_steps - _ROUNDING) + _floor(down_steps + _ROUNDING) <= steps
        ):
            down_steps = _floor(down_steps + _ROUNDING)
        else:
            ramp_steps = 0.5 * steps + (last_rate * last_rate - first_rate * first_rate) * (
                0.5 * per_twice_accel
            )
            ramp_steps = (
                _ceil(ramp_steps - _ROUNDING)
                if 0 < ramp_steps < steps
                else (0.0 if ramp_steps < steps else steps)
            )
            down_steps = steps - ramp_steps
            top_rate = first_rate * first_rate + ramp_steps * twice_accel
            top_rate = rate if top_rate > rate * rate else sqrt(top_rate)
            up_steps = (top_rate * top_rate - first_rate * first_rate) * per_twice_accel
            up_steps = up_steps if up_steps > 0 else 0.0
        slow_rate = top_rate * top_rate - down_steps * twice_accel
        slow_rate = sqrt(slow_rate) if slow_rate > last_rate * last_rate else last_rate
        slow_rate = slow_rate if slow_rate < top_rate else top_rate
        rest = (
            down_steps - (top_rate * top_rate - slow_rate * slow_rate) * per_twice_accel
        )  # steps of the brake left at the final rate
        up_s = (top_rate - first_rate) * per_accel if top_rate > first_rate else 0.0
        down_s = (top_rate - slow_rate) * per_accel
        if rest > _ROUNDING:
            down_s += rest / slow_rate
        rest = steps - down_steps - up_steps
        rest = rest / top_rate if rest > 0 else 0.0
        self._add(i, up_s, rest, down_s, first_rate, top_rate)

    # -- RepRapFirmware -----------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _rrf(self, dx: cython.double, dy: cython.double, dz: cython.double, de: cython.double) -> cython.void:
        """Queue one move by sections C1 and C2."""
        length2: cython.double = dx * dx + dy * dy + dz * dz
        kind: cython.int = 0
        marks: cython.int = 0
        place: cython.Py_ssize_t
        if length2 < 1e-18:
            if de == 0:
                return
            length = fabs(de)
            dx = dy = dz = 0.0
        else:
            length = sqrt(length2)
        per_length = 1.0 / length
        dx *= per_length
        dy *= per_length
        dz *= per_length
        de *= per_length
        speed = self.feed if self.feed > self.min_speed else self.min_speed
        accel = _UNBOUNDED
        if dx != 0:
            speed = _within(speed, dx, self.max_speed_x)
            accel = _within(accel, dx, self.max_accel_x)
        if dy != 0:
            speed = _within(speed, dy, self.max_speed_y)
            accel = _within(accel, dy, self.max_accel_y)
        if dz != 0:
            speed = _within(speed, dz, self.max_speed_z)
            accel = _within(accel, dz, self.max_accel_z)
        if de != 0:
            speed = _within(speed, de, self.max_speed_e)
            accel = _within(accel, de, self.max_accel_e)
        if dx != 0 or dy != 0:
            kind = 2
            limit = self.print_accel if de > 0 else self.travel_accel
            if limit < accel:
                accel = limit
            if de > 0 and self.pressure_advance > 0:  # pressure advance, C7
                accel = _within(accel, de * self.pressure_advance, self.jerk_e)
            marks = 3 if de > 0 else 1
        if de != 0 and marks < 2:
            marks |= 4
        if self.fresh or (self.limits[_RRF_M566_P] == 0 and marks != self.before_marks):
            start_speed = 0.0
        else:
            start_speed = speed if speed < self.before_speed else self.before_speed
            start_speed = _within(start_speed, dx - self.before_x, self.jerk_x)
            start_speed = _within(start_speed, dy - self.before_y, self.jerk_y)
            start_speed = _within(start_speed, dz - self.before_z, self.jerk_z)
            start_speed = _within(start_speed, de - self.before_e, self.jerk_e)
        self.fresh = False
        self.before_marks = marks
        self.before_x = dx
        self.before_y = dy
        self.before_z = dz
        self.before_e = de
        self.before_speed = speed
        if de > 0:
            kind |= 1
        elif de < 0:
            kind |= 4
        place = self.count
        self.queue_mm[place] = length
        self.queue_accel[place] = accel
        self.queue_max_cruise_v2[place] = speed * speed
        self.queue_max_start_v2[place] = start_speed * start_speed
        self.queue_delta_v2[place] = 2 * accel * length
        self.queue_reaches_any[place] = 0.0
        self._queue(place, kind, de)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _ramps(self, i: cython.Py_ssize_t, start_v2: cython.double, end_v2: cython.double) -> cython.double:
        """Turn a RepRapFirmware move into seconds, in whole clocks, C3; return their number."""
        cruise_v2: cython.double = 0.5 * (start_v2 + end_v2 + self.queue_delta_v2[i])
        per_accel: cython.double = 1.0 / self.queue_accel[i]
        if self.queue_max_cruise_v2[i] < cruise_v2:
            cruise_v2 = self.queue_max_cruise_v2[i]
        if start_v2 > cruise_v2:
            start_v2 = cruise_v2
        if end_v2 > cruise_v2:
            end_v2 = cruise_v2
        start = sqrt(start_v2)
        end = sqrt(end_v2)
        cruise = sqrt(cruise_v2)
        up_s = (cruise - start) * per_accel
        down_s = (cruise - end) * per_accel
        cruise_s = self.queue_mm[i] - 0.5 * (2 * cruise_v2 - start_v2 - end_v2) * per_accel
        cruise_s = cruise_s / cruise if cruise_s > 0 else 0.0
        late_s = up_s + cruise_s + down_s
        clocks = floor(late_s * _RRF_CLOCK)
        late_s -= clocks / _RRF_CLOCK
        if cruise_s > late_s:
            cruise_s -= late_s
        elif up_s > late_s:
            up_s -= late_s
        self._add(i, up_s, cruise_s, down_s, start, cruise)
        return clocks

    # -- rare work, in Python ---------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _tabulate(
        self,
        i: cython.Py_ssize_t,
        up_s: cython.double,
        cruise_s: cython.double,
        down_s: cython.double,
        start: cython.double,
    ) -> cython.void:
        """Write one row of the move table."""
        place: cython.Py_ssize_t = self.rows_tabled * _COLUMNS
        if place + _COLUMNS > len(self.table):
            self._lengthen()
            place = self.rows_tabled * _COLUMNS
        self.table[place] = self.queue_line[i]
        self.table[place + 1] = self.queue_kind[i]
        self.table[place + 2] = up_s
        self.table[place + 3] = cruise_s
        self.table[place + 4] = down_s
        self.table[place + 5] = (
            start * self.queue_mm_per_step[i] if self.dialect == _MARLIN else start
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
            columns: list[Any] = [*reals, *whole]
        except MemoryError:  # no exception can leave here: the queue stays as long as it is
            self.cap = self.room
            return
        if self.store is not None:
            for old, new in zip(self.store, columns, strict=True):
                new[: len(old)] = old
        self.store = columns
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
