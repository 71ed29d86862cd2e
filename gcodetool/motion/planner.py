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
    lim: cython.double[::1]
    # the limits in force that every move needs, taken from `lim` at each `take` and M204
    ax: cython.double  # M201
    ay: cython.double
    az: cython.double
    ae: cython.double
    vx: cython.double  # M203; Klipper: vx the top speed, ax the acceleration, z and e their own limits
    vy: cython.double
    vz: cython.double
    ve: cython.double
    jx: cython.double  # jerk; Klipper: jx jd · a, je the step in filament speed, jy the softer acceleration
    jy: cython.double
    jz: cython.double
    je: cython.double
    jd: cython.double  # Marlin: junction deviation
    a_print: cython.double
    a_travel: cython.double
    a_only: cython.double
    steps_x: cython.double  # Marlin, 1/mm
    steps_y: cython.double
    steps_z: cython.double
    steps_e: cython.double
    steps_ax: cython.double  # steps/s2
    steps_ay: cython.double
    steps_az: cython.double
    steps_ae: cython.double
    least: cython.double  # lowest speed of printing and of other moves
    least_travel: cython.double
    advance: cython.double
    # sums, one place per bucket (a stretch of one layer and tool)
    bucket = cython.declare(cython.Py_ssize_t, visibility="public")
    moving: cython.double[::1]
    forward: cython.double[::1]
    waiting: cython.double[::1]
    fed: cython.double[::1]
    forward_mm: cython.double[::1]
    last: cython.double[::1]
    height: cython.double[::1]
    # demands of each tool
    slot = cython.declare(cython.Py_ssize_t, visibility="public")
    area = cython.declare(cython.double, visibility="public")
    histogram: cython.double[::1]
    figures: cython.double[::1]
    open_travel: cython.double
    open_retraction = cython.declare(cython.double, visibility="readonly")  # mm back since the last forward
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
    px: cython.double
    py: cython.double
    pz: cython.double
    pe: cython.double  # Marlin: filament so far, for rounding to steps
    sx: cython.double  # Marlin: whole steps at the end of the last planned move
    sy: cython.double
    sz: cython.double
    se: cython.double
    step_x: cython.double  # mm
    step_y: cython.double
    step_z: cython.double
    step_e: cython.double
    feed: cython.double
    line: cython.longlong
    retracted: cython.bint
    lift: cython.double
    # the move before
    fresh: cython.bint  # nothing to join: after a stop
    b_only: cython.bint  # moved filament only
    b_kind: cython.int
    bx: cython.double  # direction
    by: cython.double
    bz: cython.double
    be: cython.double
    b_v: cython.double
    b_v2: cython.double
    b_a: cython.double
    b_l: cython.double
    b_j: cython.double
    b_jm: cython.double
    b_d: cython.double
    b_dm: cython.double
    b_corner: cython.double
    b_safe: cython.double
    # forward state
    cruise_v2: cython.double
    # arcs
    arc_radius: cython.double
    # the queue
    count = cython.declare(cython.Py_ssize_t, visibility="readonly")
    room: cython.Py_ssize_t
    next_pass: cython.Py_ssize_t
    q_l: cython.double[::1]
    q_a: cython.double[::1]
    q_v2: cython.double[::1]
    q_j: cython.double[::1]
    q_jm: cython.double[::1]
    q_d: cython.double[::1]
    q_dm: cython.double[::1]
    q_s: cython.double[::1]
    q_sm: cython.double[::1]
    q_c: cython.double[::1]
    q_flow: cython.double[::1]
    q_bucket: cython.longlong[::1]
    q_slot: cython.longlong[::1]
    q_kind: cython.longlong[::1]
    q_line: cython.longlong[::1]
    store: object

    def __init__(self, dialect: int, limits: array, cap: int = QUEUE_CAP, batch: int = 512) -> None:
        self.dialect = dialect
        self.cap = max(cap, 4)
        self.batch = max(batch, 1)
        self.lim = limits
        self.bucket = 0
        self.slot = 0
        self.area = 0.25 * 3.141592653589793 * 1.75 * 1.75
        self.open_travel = 0.0
        self.open_retraction = 0.0
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
        self.jx = self.jy = self.jz = self.je = self.jd = 0.0
        self.a_print = self.a_travel = self.a_only = self.advance = self.least = self.least_travel = 0.0
        self.steps_x = self.steps_y = self.steps_z = self.steps_e = 0.0
        self.steps_ax = self.steps_ay = self.steps_az = self.steps_ae = 0.0
        self._refresh()
        self.px = self.py = self.pz = self.pe = 0.0
        self.sx = self.sy = self.sz = self.se = 0.0
        self.feed = 25.0
        self.line = 0
        self.retracted = False
        self.lift = 0.0
        self.fresh = True
        self.b_only = False
        self.b_kind = 0
        self.bx = self.by = self.bz = self.be = 0.0
        self.b_v = self.b_v2 = self.b_a = self.b_l = self.b_j = self.b_jm = 0.0
        self.b_d = self.b_dm = self.b_corner = self.b_safe = 0.0
        self.cruise_v2 = 0.0
        self.arc_radius = 0.0
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
        self.moving = moving
        self.forward = forward
        self.waiting = waiting
        self.fed = fed
        self.forward_mm = forward_mm
        self.last = last
        self.height = height

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
        self.step_x = self.step_y = self.step_z = self.step_e = 0.0
        if self.dialect == _MARLIN:
            self.step_x = 1.0 / self.lim[_M_X]
            self.step_y = 1.0 / self.lim[_M_Y]
            self.step_z = 1.0 / self.lim[_M_Z]
            self.step_e = 1.0 / self.lim[_M_E]
            self.sx = floor(self.px * self.lim[_M_X] + 0.5)
            self.sy = floor(self.py * self.lim[_M_Y] + 0.5)
            self.sz = floor(self.pz * self.lim[_M_Z] + 0.5)
            self.se = floor(self.pe * self.lim[_M_E] + 0.5)

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
                        self.pe = (
                            self.se / self.lim[_M_E]
                        )  # what rounding to whole steps still owes is forgotten
                elif what == _RETRACT or what == _UNRETRACT:
                    self.line = line[n]
                    self._retraction(what == _RETRACT)
                elif what == _HOME:
                    self._stop()
                    if arg[n] & 1:
                        self.px = self.sx = 0.0
                    if arg[n] & 2:
                        self.py = self.sy = 0.0
                    if arg[n] & 4:
                        self.pz = self.sz = 0.0
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
        self.cruise_v2 = 0.0

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _refresh(self) -> cython.void:
        """Take the limits in force from the array that they are kept in."""
        if self.dialect == _KLIPPER:
            self.vx = self.lim[_K_V]
            self.ax = self.lim[_K_A]
            self.vz = self.lim[_K_ZV]
            self.az = self.lim[_K_ZA]
            self.ve = self.lim[_K_EV]
            self.ae = self.lim[_K_EA]
            self.jx = self.lim[_K_CORNER] * self.lim[_K_CORNER] * _CORNER
            self.jy = self.lim[_K_A] * (1.0 - self.lim[_K_RATIO])
            self.je = self.lim[_K_E_STEP]
        elif self.dialect == _RRF:
            self.ax = self.lim[_R_AX]
            self.ay = self.lim[_R_AY]
            self.az = self.lim[_R_AZ]
            self.ae = self.lim[_R_AE]
            self.vx = self.lim[_R_VX]
            self.vy = self.lim[_R_VY]
            self.vz = self.lim[_R_VZ]
            self.ve = self.lim[_R_VE]
            self.jx = self.lim[_R_JX]
            self.jy = self.lim[_R_JY]
            self.jz = self.lim[_R_JZ]
            self.je = self.lim[_R_JE]
            self.a_print = self.lim[_R_P]
            self.a_travel = self.lim[_R_T]
            self.least = self.lim[_R_LEAST]
            self.advance = self.lim[_R_K]
        else:
            self.ax = self.lim[_M_AX]
            self.ay = self.lim[_M_AY]
            self.az = self.lim[_M_AZ]
            self.ae = self.lim[_M_AE]
            self.vx = self.lim[_M_VX]
            self.vy = self.lim[_M_VY]
            self.vz = self.lim[_M_VZ]
            self.ve = self.lim[_M_VE]
            self.jx = self.lim[_M_JX]
            self.jy = self.lim[_M_JY]
            self.jz = self.lim[_M_JZ]
            self.je = self.lim[_M_JE]
            self.jd = self.lim[_M_J]
            self.a_print = self.lim[_M_P]
            self.a_travel = self.lim[_M_T]
            self.a_only = self.lim[_M_R]
            self.least = self.lim[_M_LEAST]
            self.least_travel = self.lim[_M_LEAST_T]
            self.advance = self.lim[_M_K]
            self.steps_x = self.lim[_M_X]
            self.steps_y = self.lim[_M_Y]
            self.steps_z = self.lim[_M_Z]
            self.steps_e = self.lim[_M_E]
            self.steps_ax = self.lim[_M_AX] * self.lim[_M_X]
            self.steps_ay = self.lim[_M_AY] * self.lim[_M_Y]
            self.steps_az = self.lim[_M_AZ] * self.lim[_M_Z]
            self.steps_ae = self.lim[_M_AE] * self.lim[_M_E]

    # -- rows ---------------------------------------------------------------------------------------

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _count(
        self, tx: cython.double, ty: cython.double, tz: cython.double, de: cython.double
    ) -> cython.void:
        """Add one row's filament and travel to its bucket and tool; what is counted needs no plan."""
        across: cython.bint = tx != self.px or ty != self.py
        place: cython.Py_ssize_t = self.slot * _FIGURES
        behind: cython.double = self.figures[place + 5] - de
        self.figures[place + 5] = behind if behind > 0 else 0.0
        if across:
            self.figures[place + 6] += de
        if de > 0:
            self.fed[self.bucket] += de
            self.forward_mm[self.bucket] += de
            if across:
                if self.height[self.bucket] != self.height[self.bucket]:  # NaN: the first of its bucket
                    self.height[self.bucket] = tz
                if self.open_travel > 0:
                    if self.open_travel > self.figures[place + 2]:
                        self.figures[place + 2] = self.open_travel
                    self.open_travel = 0.0
                dx = tx - self.px
                dy = ty - self.py
                self.figures[place + 3] += sqrt(dx * dx + dy * dy)
            if self.open_retraction > 0:
                if self.open_retraction > self.figures[place + 4]:
                    self.figures[place + 4] = self.open_retraction
                self.open_retraction = 0.0
        elif de < 0:
            self.fed[self.bucket] += de
            if self.open_retraction == 0:
                self.figures[place] += 1
            self.open_retraction -= de
        elif across:
            dx = tx - self.px
            dy = ty - self.py
            dx = sqrt(dx * dx + dy * dy)
            self.open_travel += dx
            self.figures[place + 1] += dx

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _go(self, tx: cython.double, ty: cython.double, tz: cython.double, de: cython.double) -> cython.void:
        """Move straight to a place, by the dialect's rules."""
        if self.dialect == _KLIPPER:
            self._klipper(tx - self.px, ty - self.py, tz - self.pz, de)
        elif self.dialect == _RRF:
            self._rrf(tx - self.px, ty - self.py, tz - self.pz, de)
        else:
            self._marlin(tx, ty, tz, de)
        self.px = tx
        self.py = ty
        self.pz = tz

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
                self.lim[_K_A] = s
        elif self.dialect == _RRF:
            if 0 < s < _UNBOUNDED:
                self.lim[_R_P] = s
                self.lim[_R_T] = s
            if 0 < p < _UNBOUNDED:
                self.lim[_R_P] = p
            if 0 < t < _UNBOUNDED:
                self.lim[_R_T] = t
        else:
            if 0 < s < _UNBOUNDED:
                self.lim[_M_P] = s
                self.lim[_M_T] = s
            if 0 < p < _UNBOUNDED:
                self.lim[_M_P] = p
            if 0 < r < _UNBOUNDED:
                self.lim[_M_R] = r
            if 0 < t < _UNBOUNDED:
                self.lim[_M_T] = t
        self._refresh()

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _retraction(self, back: cython.bint) -> cython.void:
        """G10 and G11 as the firmware's own retraction; a repeat does nothing."""
        lift: cython.double = 0.0
        feed: cython.double = self.feed
        if self.dialect == _KLIPPER:
            length = self.lim[_K_BACK]
            again = length + self.lim[_K_EXTRA]
            speed = self.lim[_K_BACK_V] if back else self.lim[_K_FORTH_V]
        elif self.dialect == _RRF:
            length = self.lim[_R_BACK]
            again = length + self.lim[_R_EXTRA]
            speed = self.lim[_R_BACK_V] if back else self.lim[_R_FORTH_V]
            lift = self.lim[_R_LIFT]
        else:
            length = self.lim[_M_BACK]
            again = length + self.lim[_M_EXTRA]
            speed = self.lim[_M_BACK_V] if back else self.lim[_M_FORTH_V]
            lift = self.lim[_M_LIFT]
        if length < 0:
            self.retractions_unknown += 1
            return
        if back == self.retracted:
            return
        self.retracted = back
        self.feed = speed if speed > _SLOWEST else _SLOWEST
        if back:
            if self.open_retraction == 0:
                self.figures[self.slot * _FIGURES] += 1
            if length > self.figures[self.slot * _FIGURES + 4]:
                self.figures[self.slot * _FIGURES + 4] = length
            self._go(self.px, self.py, self.pz, -length)
        self._lift(back, lift)
        if not back:
            self._go(self.px, self.py, self.pz, again)
        self.feed = feed

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _lift(self, back: cython.bint, lift: cython.double) -> cython.void:
        """Raise Z with a retraction, lower it again before its end; the job's own Z is not told."""
        feed: cython.double = self.feed
        height: cython.double = self.pz
        if back:
            self.lift = lift
        if self.lift != 0:
            self.feed = _FAR  # as fast as the Z axis is allowed to
            self._go(self.px, self.py, self.pz + (self.lift if back else -self.lift), 0.0)
            self.pz = height
            self.sz = floor(height * self.lim[_M_Z] + 0.5) if self.dialect == _MARLIN else 0.0
        if not back:
            self.lift = 0.0
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
        x: cython.double = self.px
        y: cython.double = self.py
        z: cython.double = self.pz
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
            chords = floor(sqrt(length * length + half * half) / self.lim[_K_ARC])
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
            self.arc_radius = radius if k > 1 else 0.0
            self._go(
                x + ci - ci * dx + cj * dy,
                y + cj - ci * dy - cj * dx,
                z + (tz - z) * k / chords,
                de / chords,
            )
        self.arc_radius = 0.0
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
            v = self.feed if self.feed < self.ve else self.ve
            a = self.ae
        else:
            length = sqrt(l2)
            ratio = 1.0 / length
            dx *= ratio
            dy *= ratio
            e = de * ratio
            v = self.feed if self.feed < self.vx else self.vx
            a = self.ax
            if dz != 0:
                dz *= ratio
                ratio = 1.0 / fabs(dz)
                if self.vz * ratio < v:
                    v = self.vz * ratio
                if self.az * ratio < a:
                    a = self.az * ratio
            if e < 0 or (e != 0 and dx == 0 and dy == 0):
                ratio = 1.0 / fabs(e)
                if self.ve * ratio < v:
                    v = self.ve * ratio
                if self.ae * ratio < a:
                    a = self.ae * ratio
            if dx != 0 or dy != 0:
                kind = 2
        v2 = v * v
        d = 2 * a * length
        dm = 2 * self.jy * length
        if dm > d:
            dm = d
        corner = self.jx
        if a != self.ax:
            corner = corner * a / self.ax  # jd * a
        if self.fresh or only or self.b_only:
            junction = 0.0
            smooth = 0.0
        else:
            junction = v2 if v2 < self.b_v2 else self.b_v2
            limit = self.b_j + self.b_d
            if limit < junction:
                junction = limit
            if e != self.be:
                limit = self.je / (e - self.be)
                limit = limit * limit
                if limit < junction:
                    junction = limit
            cosine = -(self.bx * dx + self.by * dy + self.bz * dz)
            s = 0.5 * (1.0 - cosine)
            c = 0.5 * (1.0 + cosine)
            if s < 1.0 and c > 0:
                # corner·s' / (1 - s') with s' = sqrt(s); root and quotient only where it bites
                limit = corner if corner < self.b_corner else self.b_corner
                ratio = limit + junction
                if s * ratio * ratio < junction * junction:
                    ratio = sqrt(s) if s > 0 else 0.0
                    junction = limit * ratio / (1.0 - ratio)
                # L*a*T/2 with T = s'/c', likewise
                limit = 0.25 * (d if d < self.b_d else self.b_d)
                if limit * limit * s < junction * junction * c:
                    junction = limit * sqrt(s / c) if s > 0 else 0.0
            smooth = self.b_jm + self.b_dm
            if junction < smooth:
                smooth = junction
        self.fresh = False
        self.b_only = only
        self.bx = dx
        self.by = dy
        self.bz = dz
        self.be = e
        self.b_v2 = v2
        self.b_d = d
        self.b_dm = dm
        self.b_j = junction
        self.b_jm = smooth
        self.b_corner = corner
        if de > 0:
            kind |= 1
        elif de < 0:
            kind |= 4
        i = self.count
        self.q_l[i] = length
        self.q_a[i] = a
        self.q_v2[i] = v2
        self.q_j[i] = junction
        self.q_jm[i] = smooth
        self.q_d[i] = d
        self.q_dm[i] = dm
        self._queue(i, kind, e)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _queue(self, i: cython.Py_ssize_t, kind: cython.int, e: cython.double) -> cython.void:
        """Fill the columns that every dialect has, and plan where a batch is full."""
        self.q_kind[i] = kind
        self.q_bucket[i] = self.bucket
        self.q_slot[i] = self.slot
        self.q_line[i] = self.line
        self.q_flow[i] = e * self.area * _BINS_PER_MM3_S if kind == 3 else 0.0
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

        Writes q_s (S), q_sm (S') and q_c: the squared cruise speed of a move that can speed up, or
        -1 where it follows from the move before.
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
                reach = s + self.q_d[i]
                s = self.q_j[i] if self.q_j[i] < reach else reach
                reach_h = high + self.q_d[i]
                high = self.q_j[i] if self.q_j[i] < reach_h else reach_h
                reach_m = sm + self.q_dm[i]
                sm = self.q_jm[i] if self.q_jm[i] < reach_m else reach_m
                reach_h = high_m + self.q_dm[i]
                high_m = self.q_jm[i] if self.q_jm[i] < reach_h else reach_h
                if s == high and sm == high_m and sm < reach_m and sm < reach_h:
                    break
            else:
                return 0
            self.q_s[i] = s
            self.q_sm[i] = sm
        ready = i
        while i > 0:
            i -= 1
            reach = s + self.q_d[i]
            start = self.q_j[i] if self.q_j[i] < reach else reach
            reach_m = sm + self.q_dm[i]
            if self.q_jm[i] < reach_m:
                if held or self.q_jm[i] + self.q_dm[i] > sm:
                    peak = 0.5 * (self.q_jm[i] + reach_m)
                    known = True
                elif not known:
                    ready = i
                held = False
                sm = self.q_jm[i]
                cruise = 0.5 * (start + reach)
                if self.q_v2[i] < cruise:
                    cruise = self.q_v2[i]
                if peak < cruise:
                    cruise = peak
                self.q_c[i] = cruise
            else:
                held = True
                sm = reach_m
                self.q_c[i] = -1.0
            s = start
            self.q_s[i] = s
            self.q_sm[i] = sm
        return ready

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit_klipper(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Turn the first *ready* moves into seconds, first to last."""
        i: cython.Py_ssize_t
        c2: cython.double = self.cruise_v2
        last2: cython.double = -1.0
        last: cython.double = 0.0
        for i in range(ready):
            s2 = self.q_s[i]
            if self.q_c[i] >= 0:
                c2 = self.q_c[i]
            elif s2 < c2:
                c2 = s2
            if c2 < 1e-12:  # a limit of nearly nothing: slow, but never for ever
                c2 = 1e-12
            e2 = self.q_s[i + 1] if i + 1 < self.count else 0.0
            if s2 > c2:
                s2 = c2
            if e2 > c2:
                e2 = c2
            vc = sqrt(c2)
            vs = last if s2 == last2 else sqrt(s2)
            ve = vc if e2 == c2 else sqrt(e2)
            last = ve
            last2 = e2
            inverse = 1.0 / self.q_a[i]
            at = self.q_l[i] - 0.5 * (2 * c2 - s2 - e2) * inverse
            at = at / vc if at > 0 else 0.0
            up = (vc - vs) * inverse
            down = (vc - ve) * inverse
            self._add(i, up, at, down, vs, vc)
        self.cruise_v2 = c2
        if ready < self.count and not final:
            # where the cap cut the queue these bind; else they are what later passes find again
            self.q_j[ready] = self.q_s[ready]
            self.q_jm[ready] = self.q_sm[ready]

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _backward(self, final: cython.bint) -> cython.Py_ssize_t:
        """Pass of B4 and C3, last move to first; return how many moves are final.

        q_jm is 1 where the move is long enough to reach any speed from any other: its start does
        not depend on what follows.
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
                if self.q_jm[i] != 0:
                    s = high = self.q_j[i]
                    break
                reach = s + self.q_d[i]
                s = self.q_j[i] if self.q_j[i] < reach else reach
                reach = high + self.q_d[i]
                high = self.q_j[i] if self.q_j[i] < reach else reach
                if s == high:
                    break
            else:
                return 0
            self.q_s[i] = s
        ready = i
        while i > 0:
            i -= 1
            reach = s + self.q_d[i]
            s = self.q_j[i] if self.q_jm[i] != 0 or self.q_j[i] < reach else reach
            self.q_s[i] = s
        return ready

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _commit(self, ready: cython.Py_ssize_t, final: cython.bint) -> cython.void:
        """Forward pass of B4 and C3 over the first *ready* moves, and their seconds."""
        i: cython.Py_ssize_t
        s2 = self.q_s[0]
        vs = sqrt(s2)
        for i in range(ready):
            if i + 1 < self.count:
                e2 = self.q_s[i + 1]
                if self.q_jm[i] == 0 and s2 < e2 and s2 + self.q_d[i] < e2:
                    e2 = s2 + self.q_d[i]
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
            self.q_j[ready] = s2  # settled: later passes can only find it again

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
        b: cython.Py_ssize_t = self.q_bucket[i]
        kind: cython.int = self.q_kind[i]
        t: cython.double = up + at + down
        bin_: cython.Py_ssize_t
        self.moving[b] += t
        if kind & 1:
            self.forward[b] += t
            self.last[b] = self.moving[b] + self.waiting[b]
            if kind == 3:
                flow = self.q_flow[i] * vc
                bin_ = cython.cast(cython.Py_ssize_t, flow) if flow < _BINS else _BINS - 1
                self.histogram[self.q_slot[i] * _BINS + bin_] += t
        if self.tabled:
            self._tabulate(i, up, at, down, vs)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _shift(self, ready: cython.Py_ssize_t) -> cython.void:
        """Move what is left to the front of the queue."""
        i: cython.Py_ssize_t
        k: cython.Py_ssize_t
        for i in range(self.count - ready):
            k = i + ready
            self.q_l[i] = self.q_l[k]
            self.q_a[i] = self.q_a[k]
            self.q_v2[i] = self.q_v2[k]
            self.q_j[i] = self.q_j[k]
            self.q_jm[i] = self.q_jm[k]
            self.q_d[i] = self.q_d[k]
            self.q_dm[i] = self.q_dm[k]
            self.q_s[i] = self.q_s[k]
            self.q_sm[i] = self.q_sm[k]
            self.q_c[i] = self.q_c[k]
            self.q_flow[i] = self.q_flow[k]
            self.q_bucket[i] = self.q_bucket[k]
            self.q_slot[i] = self.q_slot[k]
            self.q_kind[i] = self.q_kind[k]
            self.q_line[i] = self.q_line[k]
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
        nx = _floor(tx * self.steps_x + 0.5)
        ny = _floor(ty * self.steps_y + 0.5)
        nz = _floor(tz * self.steps_z + 0.5)
        self.pe += de
        ne = _floor(self.pe * self.steps_e + 0.5)
        kx = nx - self.sx
        ky = ny - self.sy
        kz = nz - self.sz
        ke = ne - self.se
        mx = kx * self.step_x
        my = ky * self.step_y
        mz = kz * self.step_z
        me = ke * self.step_e
        kx = fabs(kx)
        ky = fabs(ky)
        kz = fabs(kz)
        ke = fabs(ke)
        most = kx if kx > ky else ky
        most = kz if kz > most else most
        if most < _MARLIN_SHORTEST:
            if ke < _MARLIN_SHORTEST:
                if tx != self.px or ty != self.py or tz != self.pz or de != 0:
                    self.dropped += 1
                return
            length = fabs(me)
        else:
            length = sqrt(mx * mx + my * my + mz * mz)
        most = ke if ke > most else most
        self.sx = nx
        self.sy = ny
        self.sz = nz
        self.se = ne
        inverse = 1.0 / length
        step = 1.0 / most
        # speed, B1: one factor makes every axis obey M203
        v = self.feed
        limit = self.least if ke > 0 else self.least_travel
        v = limit if limit > v else v
        per_mm = most * inverse
        rate = _ceil(v * per_mm - _ROUNDING)
        top = v * inverse
        limit = top
        limit = _within(limit, mx, self.vx)
        limit = _within(limit, my, self.vy)
        limit = _within(limit, mz, self.vz)
        limit = _within(limit, me, self.ve)
        if limit < top:
            v = limit * length
            rate = _floor(rate * limit / top + _ROUNDING)
        # acceleration, B2, in whole steps/s2
        if kx == 0 and ky == 0 and kz == 0:
            accel = _ceil(self.a_only * per_mm - _ROUNDING)
        else:
            a = self.a_print if ke > 0 else self.a_travel
            if self.advance > 0 and ke > 0 and de > 0:  # M900: linear advance
                limit = self.je
                if self.jd > 0:
                    limit = sqrt(2.414 * self.jd * self.ae)
                a = _within(a, self.advance * me * inverse, limit)
            accel = _ceil(a * per_mm - _ROUNDING)
            limit = accel * step
            limit = _within(limit, kx, self.steps_ax)
            limit = _within(limit, ky, self.steps_ay)
            limit = _within(limit, kz, self.steps_az)
            limit = _within(limit, ke, self.steps_ae)
            if limit * most < accel:
                accel = _floor(limit * most + _ROUNDING)
        accel = accel if accel > 1 else 1.0
        rate = rate if rate > 1 else 1.0
        a = accel * step * length
        flow = fabs(me) * step  # per step
        if self.jd > 0:
            if me != 0:
                inverse = 1.0 / sqrt(mx * mx + my * my + mz * mz + me * me)
            junction = self._junction_deviation(
                mx * inverse, my * inverse, mz * inverse, me * inverse, length, v, a
            )
        else:
            inverse *= v
            junction = self._classic_jerk(mx * inverse, my * inverse, mz * inverse, me * inverse, v)
        self.fresh = False
        self.b_v = v
        if de > 0:
            kind = 1
        elif de < 0:
            kind = 4
        if kx > 0 or ky > 0:
            kind |= 2
        i = self.count
        self.q_l[i] = most
        self.q_a[i] = accel
        self.q_v2[i] = rate
        self.q_j[i] = junction
        self.q_d[i] = 2 * a * length
        self.q_jm[i] = 1.0 if v * v <= self.q_d[i] + _MARLIN_MINIMUM_V2 else 0.0
        self.q_dm[i] = rate / v  # steps per mm, as the rounded rate has it
        self.q_sm[i] = length * step
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
        px = self.bx
        py = self.by
        pz = self.bz
        pe = self.be
        self.bx = ux
        self.by = uy
        self.bz = uz
        self.be = ue
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
            a = _within_corner(a, px, w2, self.ax)
            a = _within_corner(a, py, w2, self.ay)
            a = _within_corner(a, pz, w2, self.az)
            a = _within_corner(a, pe, w2, self.ae)
        junction = v if v < self.b_v else self.b_v
        junction = junction * junction
        if self.arc_radius > 0:
            limit = a * self.arc_radius
            return limit if limit < junction else junction
        # a·J·s / (1 - s) with s = sin of half the corner; root and quotient only where it bites
        s2 = 0.5 * (1.0 - cosine)
        limit = a * self.jd
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
        safe = _within(safe, cx, self.jx)
        safe = _within(safe, cy, self.jy)
        safe = _within(safe, cz, self.jz)
        safe = _within(safe, ce, self.je)
        safe *= v
        join = safe
        if not self.fresh:
            join = v if v < self.b_v else self.b_v
            scale = v / self.b_v if v < self.b_v else 1.0
            share = 1.0
            share = _within(share, _jump(self.bx * scale, cx), self.jx)
            share = _within(share, _jump(self.by * scale, cy), self.jy)
            share = _within(share, _jump(self.bz * scale, cz), self.jz)
            share = _within(share, _jump(self.be * scale, ce), self.je)
            join *= share
            if safe > 0.99 * join and self.b_safe > 0.99 * join:
                join = safe
        self.bx = cx
        self.by = cy
        self.bz = cz
        self.be = ce
        self.b_safe = safe
        return join * join

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _steps(self, i: cython.Py_ssize_t, vs: cython.double, ve: cython.double) -> cython.void:
        """Turn a Marlin move into seconds: ramps in whole steps and whole rates, B4."""
        steps = self.q_l[i]
        rate = self.q_v2[i]
        twice = 2.0 * self.q_a[i]
        half = 1.0 / twice
        inverse = 2.0 * half
        first = _ceil(vs * self.q_dm[i] - _ROUNDING)
        last = _ceil(ve * self.q_dm[i] - _ROUNDING)
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
        v = self.feed if self.feed > self.least else self.least
        a = _UNBOUNDED
        if dx != 0:
            v = _within(v, dx, self.vx)
            a = _within(a, dx, self.ax)
        if dy != 0:
            v = _within(v, dy, self.vy)
            a = _within(a, dy, self.ay)
        if dz != 0:
            v = _within(v, dz, self.vz)
            a = _within(a, dz, self.az)
        if de != 0:
            v = _within(v, de, self.ve)
            a = _within(a, de, self.ae)
        if dx != 0 or dy != 0:
            kind = 2
            limit = self.a_print if de > 0 else self.a_travel
            if limit < a:
                a = limit
            if de > 0 and self.advance > 0:  # pressure advance, C7
                a = _within(a, de * self.advance, self.je)
            marks = 3 if de > 0 else 1
        if de != 0 and marks < 2:
            marks |= 4
        if self.fresh or (self.lim[_R_POLICY] == 0 and marks != self.b_kind):
            junction = 0.0
        else:
            junction = v if v < self.b_v else self.b_v
            junction = _within(junction, dx - self.bx, self.jx)
            junction = _within(junction, dy - self.by, self.jy)
            junction = _within(junction, dz - self.bz, self.jz)
            junction = _within(junction, de - self.be, self.je)
        self.fresh = False
        self.b_kind = marks
        self.bx = dx
        self.by = dy
        self.bz = dz
        self.be = de
        self.b_v = v
        if de > 0:
            kind |= 1
        elif de < 0:
            kind |= 4
        i = self.count
        self.q_l[i] = length
        self.q_a[i] = a
        self.q_v2[i] = v * v
        self.q_j[i] = junction * junction
        self.q_d[i] = 2 * a * length
        self.q_jm[i] = 0.0
        self._queue(i, kind, de)

    @cython.cfunc
    @cython.nogil
    @cython.exceptval(check=False)
    def _ramps(self, i: cython.Py_ssize_t, s2: cython.double, e2: cython.double) -> cython.void:
        """Turn a RepRapFirmware move into seconds, in whole clocks, C3."""
        c2: cython.double = 0.5 * (s2 + e2 + self.q_d[i])
        inverse: cython.double = 1.0 / self.q_a[i]
        if self.q_v2[i] < c2:
            c2 = self.q_v2[i]
        if s2 > c2:
            s2 = c2
        if e2 > c2:
            e2 = c2
        vs = sqrt(s2)
        ve = sqrt(e2)
        vc = sqrt(c2)
        up = (vc - vs) * inverse
        down = (vc - ve) * inverse
        at = self.q_l[i] - 0.5 * (2 * c2 - s2 - e2) * inverse
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
        self.table[place] = self.q_line[i]
        self.table[place + 1] = self.q_kind[i]
        self.table[place + 2] = up
        self.table[place + 3] = at
        self.table[place + 4] = down
        self.table[place + 5] = vs * self.q_sm[i] if self.dialect == _MARLIN else vs  # steps/s there
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
        self.q_l, self.q_a, self.q_v2, self.q_j, self.q_jm, self.q_d = reals[:6]
        self.q_dm, self.q_s, self.q_sm, self.q_c, self.q_flow = reals[6:]
        self.q_bucket, self.q_slot, self.q_kind, self.q_line = whole
        self.room = size


def bytes_of_zeros(count: int) -> array:
    """Return *count* zeros as doubles."""
    return array("d", bytes(8 * count))
