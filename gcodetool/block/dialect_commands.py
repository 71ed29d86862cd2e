"""How each dialect says what the block needs: texts, beeps, the question, and nozzle temperatures.

A plain tongue says only what means the same in every firmware; it can ask only where the file's own
settings name the printer's pause.  Left out: what is said when (``block``).
"""

import re
from dataclasses import dataclass
from typing import Final

from gcodetool.gcode.dialects import Dialect

# What the person reads: ASCII, at most 80 characters, no ";", and nothing that M0 or M118 would take
# for a word with a number.
SAY_PURGE: Final = "Hands away: the head may move, then hot filament comes out"
SAY_LOOK: Final = "Look and listen: bubbles, popping, steam like smoke, rough or matt?"
SAY_OOZE: Final = "Feeding has stopped: does filament go on oozing out?"
SAY_HEAT: Final = "Heating up again: hands off the nozzle"
SAY_AWAY: Final = "Hands away: the head moves in 5 seconds"
SAY_TIMED: Final = "Goes on by itself in {seconds} seconds. Wet? {stop} now"

GO_ON: Final = {
    Dialect.MARLIN: "press the button",
    Dialect.KLIPPER: "RESUME",
    Dialect.REPRAPFIRMWARE: "OK",
}
STOP: Final = {
    Dialect.MARLIN: "Stop the print",
    Dialect.KLIPPER: "CANCEL_PRINT",
    Dialect.REPRAPFIRMWARE: "Cancel the job",
}
DIALOG_GO_ON: Final = "Continue"  # the buttons of a dialog on the print host
DIALOG_STOP: Final = "Stop the print"

# Lines that show that the machine passes dialogs on: only [respond] knows RESPOND, and a file that opens
# dialogs under Marlin, or reports on them, is for a build that has them.
SHOWS_PROMPTS: Final = {
    Dialect.KLIPPER: re.compile(rb"^[ \t]*RESPOND[ \t]", re.MULTILINE),
    Dialect.MARLIN: re.compile(
        rb"^[ \t]*(?:M118[ \t][^;\r\n]*\bA1\b[^;\r\n]*action:prompt_|M876\b)", re.MULTILINE
    ),
}


@dataclass(frozen=True)
class PersonPrompt:
    """What the person is asked: a dialog's title, and the text with its words for going on and stopping."""

    title: str
    text: str


ASK_STRAND: Final = PersonPrompt(
    "Is the filament dry?", "Dry? Strand off with tweezers, then {go_on}. Wet? {stop}"
)
ASK_MORE: Final = PersonPrompt(
    "Is the filament dry?", "More comes: take the strand off, then {go_on}. Wet? {stop}"
)
ASK_HEIGHT: Final = PersonPrompt(
    "Is there room to purge?", "Is the nozzle well above the bed? Then {go_on}. If not: {stop}"
)

# What a file's settings may name as its printer's pause, whole line.  Not M25, behind which commands
# that were read ahead still run, nor M600, which changes the filament.
OWN_PAUSE: Final = re.compile(r"M0|M1|M226|M601|M400 U1|[A-Z_]*PAUSE[A-Z_]*")
MACRO_PAUSE: Final = re.compile(r"[A-Z_]*PAUSE[A-Z_]*")


def own_pause(code: str | None) -> str | None:
    r"""Return the pause that a file's settings name, where it is one that stops at once; else None.

    >>> own_pause("M400 U1"), own_pause("M25"), own_pause("M0 Inspect"), own_pause("M0\nG28")
    ('M400 U1', None, 'M0', None)
    """
    if code is None or "\n" in code:
        return None
    words = code.partition(";")[0].strip()
    if re.match(r"M[01]\b", words) and not re.search(r"\b[PS]\s*\d", words):
        words = words.split()[0]  # its text, if any, is about something else; P and S limit the wait
    return words if OWN_PAUSE.fullmatch(words) else None


def shows_prompts(dialect: Dialect, *parts: bytes) -> bool:
    """Tell whether a file's text shows that its machine passes dialogs on to a print host.

    >>> shows_prompts(Dialect.KLIPPER, b'RESPOND TYPE=echo MSG="homed"'), shows_prompts(Dialect.MARLIN, b"M0")
    (True, False)
    """
    pattern = SHOWS_PROMPTS.get(dialect)
    return pattern is not None and any(pattern.search(part) is not None for part in parts)


@dataclass(frozen=True)
class DialectCommands:
    """A dialect's words.

    Attributes
    ----------
    dialect : whose words.
    plain : only what means the same everywhere.
    pause_code : the printer's own pause, from :func:`own_pause`.
    tool : the one that is heated.
    prompts : the firmware passes dialogs on to a print host, as far as profile or file say so.
    """

    dialect: Dialect
    plain: bool
    pause_code: str | None = None
    tool: int = 0
    prompts: bool = False

    def phrase(self, text: str, **more: object) -> str:
        """Return *text* with the words for going on and stopping in it.

        >>> DialectCommands(Dialect.KLIPPER, plain=False).phrase(ASK_STRAND.text)
        'Dry? Strand off with tweezers, then RESUME. Wet? CANCEL_PRINT'
        """
        return text.format(go_on=GO_ON[self.dialect], stop=STOP[self.dialect], **more)

    def say(self, text: str) -> list[str]:
        """Return the lines that show *text* on the panel and the console."""
        if self.plain:
            return []
        if self.dialect is Dialect.KLIPPER:
            return [f"M117 {text}", f'RESPOND TYPE=echo MSG="{text}"']
        if self.dialect is Dialect.REPRAPFIRMWARE:
            return [f'M117 "{text}"', f'M118 S"{text}"']
        return [f"M117 {text}", f"M118 {text}"]

    def beep(self) -> list[str]:
        """Return the line that beeps; Klipper has none of its own."""
        return ["M300 S880 P400"] if not self.plain and self.dialect is not Dialect.KLIPPER else []

    def finish_moves(self) -> list[str]:
        """Return the line that waits for the moves before it; plain: the dwell that follows waits."""
        return [] if self.plain else ["M400"]

    def ask(self, question: PersonPrompt) -> list[str]:
        """Return the lines that ask and wait for the person; none where nothing sure is known."""
        if self.plain:
            return [self.pause_code] if self.pause_code else []
        text = self.phrase(question.text)
        if self.dialect is Dialect.REPRAPFIRMWARE:
            # M0 and M1 end the job there; the box waits, and its Cancel stops the job
            return [f'M117 "{text}"', f'M291 P"{text}" R"{question.title}" S3']
        pause = [f"M0 {text}"]
        if self.dialect is Dialect.KLIPPER:
            own = self.pause_code
            code = own if own is not None and MACRO_PAUSE.fullmatch(own) else "PAUSE"
            pause = [*self.say(text), code]
        if not self.prompts:
            return pause
        *before, wait = pause
        # closed behind the wait, for the person may have gone on at the panel
        return [*before, *self.dialog(question), wait, self.action("prompt_end")]

    def action(self, what: str) -> str:
        """Return the line that hands *what* to the print host."""
        if self.dialect is Dialect.KLIPPER:
            return f'RESPOND TYPE=command MSG="action:{what}"'
        return f"M118 A1 action:{what}"

    def dialog(self, question: PersonPrompt) -> list[str]:
        """Return the lines that put *question* before the person at the print host.

        Klipper's dialog has a button for each answer.  Marlin opens its own at M0, closing any other, and
        takes every answer for "go on": a button to stop would continue the print, so there is none.
        """
        sentences = question.text.format(go_on=DIALOG_GO_ON, stop=DIALOG_STOP).split(". ")
        told = [f"{part}." for part in sentences[:-1]] + sentences[-1:]
        if self.dialect is Dialect.MARLIN:
            return [self.action(f"notification {part}") for part in told]
        buttons = ((DIALOG_GO_ON, "RESUME", "primary"), (DIALOG_STOP, "CANCEL_PRINT", "error"))
        return [
            self.action(f"prompt_begin {question.title}"),
            *(self.action(f"prompt_text {part}") for part in told),
            *(self.action(f"prompt_footer_button {'|'.join(button)}") for button in buttons),
            self.action("prompt_show"),
        ]

    def set_target(self, target_C: str) -> list[str]:
        """Return the line that sets the nozzle's target without waiting."""
        if not self.plain and self.dialect is Dialect.REPRAPFIRMWARE:
            return [f"G10 P{self.tool} S{target_C}"]
        return [f"M104 S{target_C}"]

    def heat(self, target_C: str) -> list[str]:
        """Return the lines that set the nozzle's target and wait for it."""
        if not self.plain and self.dialect is Dialect.REPRAPFIRMWARE:
            return [f"G10 P{self.tool} S{target_C}", f"M116 P{self.tool}"]
        return [f"M109 S{target_C}"]

    @property
    def asks(self) -> bool:
        """Whether there is a pause that is sure, or as sure as the file's settings make it."""
        return not self.plain or self.pause_code is not None

    @property
    def waits_by(self) -> str:
        """How it waits, for the report."""
        if self.plain:
            return f"waits by '{self.pause_code}', the pause that the file's settings name"
        if self.dialect is Dialect.MARLIN:
            button = "the button, or the one in the print host's dialog" if self.prompts else "the button"
            return f"waits for {button} (M0; a build without buttons ignores it: stay there)"
        if self.dialect is Dialect.KLIPPER:
            return "waits for RESUME" + (", a button in the print host's dialog" if self.prompts else "")
        return "waits for OK (as long as it takes: nothing turns the heaters off meanwhile)"
