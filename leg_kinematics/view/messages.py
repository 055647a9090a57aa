# Copyright 2026 The leg_kinematics authors
# SPDX-License-Identifier: Apache-2.0
"""All that passes between server and page, both ways; the page's types are made from it.

Each message is one JSON object in one text frame of a websocket, and its `kind` says which it is.
After a change write the types of the page anew: ``python -m leg_kinematics.view.typescript``.

The page says `Hello` first. It is then told `Robot` as soon as that is known (and again whenever
another robot comes), `Statuses`, the latest `Events`, and `Control` or, of a recording, `Recording`
and `Playback`; then a `Frame` 30 times a second, the latest only: what a slow page misses is left
out. Frames go on while the robot is not heard; what is not known is null.

While a description is edited, `Robot`, `Frame` and `Doubts` come with every change of the files,
`Checking` while the check runs, and `Report` and `Pictures` at its end; or `Wrong`.

At a bench `Robot`, `Frame`, `Asked` and `Lead` come: one page leads and answers, all may say `Off`.

Instants are in s, of the server's steady clock since its start or, of a recording, since its
beginning; a frame whose instant is smaller than the one before means that somebody has jumped back.
`odom` is the frame in which the robot walks, `base_link` the one of its body (REP 103, REP 105).
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from leg_kinematics.chain.power import PowerState
from leg_kinematics.chain.values import Level

Vector = tuple[float, float, float]
Quaternion = tuple[float, float, float, float]
Point = tuple[float, float]

#: A frame is sent so often a second.
FRAMES_A_SECOND = 30

#: A driver is heard at least so often, s: the page says `Hold` again after this, changed or not.
HOLD_EVERY = 0.05

#: The robot stops when nothing has been heard from its driver for this long, s, or when the latest
#: frame that the driver's page has seen is older.
DRIVER_SILENCE = 0.3

#: A page that leads at the bench is heard at least so often, s, and leads no more after a silence.
LEADING_EVERY = 0.3
LEADER_SILENCE = 1.5

#: Longest message that the server takes from a page, bytes.
LONGEST_MESSAGE = 2048


# ---- to the page


@dataclass(frozen=True)
class Joint:
    """A joint of the robot.

    Attributes
    ----------
    name
        As in the URDF, such as `left_front_coxa`.
    lower, upper
        Its limits, rad.
    lower_us, upper_us
        Pulses at these limits, µs; null where the servo maps are not known here, or do not go so
        far. The first may be the larger one.

    """

    name: str
    lower: float
    upper: float
    lower_us: float | None
    upper_us: float | None


@dataclass(frozen=True)
class Leg:
    """A leg of the robot.

    Attributes
    ----------
    name
        Such as `left_front`; the tip of its foot is the link `<name>_foot` of the URDF.
    joints
        Coxa, femur and tibia, as indices into the joints.

    """

    name: str
    joints: tuple[int, int, int]


@dataclass(frozen=True)
class Robot:
    """What the robot is; all lists of frames are in the order of these lists.

    Attributes
    ----------
    name
        Of the robot.
    namespace
        Of its chain, such as `/`.
    urdf
        Its description, XML, SI.
    legs
        In the order of the description.
    joints
        Leg by leg.
    kind
        Of message.

    """

    name: str
    namespace: str
    urdf: str
    legs: tuple[Leg, ...]
    joints: tuple[Joint, ...]
    kind: Literal['robot'] = 'robot'


@dataclass(frozen=True)
class Pose:
    """Where the body is.

    Attributes
    ----------
    position
        Of `base_link` in `odom`, m.
    orientation
        Quaternion x, y, z, w.

    """

    position: Vector
    orientation: Quaternion


@dataclass(frozen=True)
class Velocity:
    """How the body moves, in `base_link`.

    Attributes
    ----------
    forward, left
        m/s.
    turn
        Counter-clockwise, rad/s.

    """

    forward: float
    left: float
    turn: float


@dataclass(frozen=True)
class Ground:
    """The plane on which the robot believes to stand, by the feet that stand.

    Attributes
    ----------
    point
        A point of it in `odom`, m.
    normal
        Upwards, in `odom`, of length 1.

    """

    point: Vector
    normal: Vector


@dataclass(frozen=True)
class Balance:
    """Whether the robot stands, and how safely.

    Attributes
    ----------
    support
        Corners of the support polygon, counter-clockwise, in `base_link`, m.
    centre_of_mass
        In `base_link`, m.
    margin
        From the centre of mass to the nearest edge of the polygon, along the ground, m; negative
        outside, null where no foot stands.

    """

    support: tuple[Vector, ...]
    centre_of_mass: Vector
    margin: float | None


@dataclass(frozen=True)
class Frame:
    """The robot at an instant; whatever has not been heard lately is null.

    Attributes
    ----------
    at
        Instant, s.
    power
        Who has power and who may move.
    angles
        Of the joints, rad.
    pulses_us
        Of the joints, µs, by the servo maps.
    loads
        Of the joints, N·m, where something measures or simulates them.
    base
        Pose of the body; null means that no odometry is heard.
    feet
        Where the feet are by the angles, in `base_link`, m.
    foot_targets
        Where they shall be now, in `base_link`, m.
    standing
        Whether each foot is on the ground.
    balance
        Whether the robot stands.
    ground
        On which it believes to stand.
    wanted
        Velocity that the driver asks for.
    walked
        Velocity that the gait makes of it.
    lag
        How far the joint that is farthest behind is from where it shall be, rad.
    kind
        Of message.

    """

    at: float
    power: PowerState | None = None
    angles: tuple[float, ...] | None = None
    pulses_us: tuple[float, ...] | None = None
    loads: tuple[float, ...] | None = None
    base: Pose | None = None
    feet: tuple[Vector, ...] | None = None
    foot_targets: tuple[Vector, ...] | None = None
    standing: tuple[bool, ...] | None = None
    balance: Balance | None = None
    ground: Ground | None = None
    wanted: Velocity | None = None
    walked: Velocity | None = None
    lag: float | None = None
    kind: Literal['frame'] = 'frame'


@dataclass(frozen=True)
class NodeStatus:
    """What a node says of itself.

    Attributes
    ----------
    name
        Of the node, such as `gait`.
    level
        0 is well, 1 a warning, 2 an error.
    state
        In few words.
    words
        The same with what belongs to it: which leg, which value, which bound.
    values
        All its values, such as `missed_ticks`.
    at
        When it was said.

    """

    name: str
    level: Level
    state: str
    words: str
    values: Mapping[str, str]
    at: float


@dataclass(frozen=True)
class TopicStatus:
    """How a topic comes in.

    Attributes
    ----------
    name
        Within the namespace of the chain.
    rate
        Messages sent, 1/s.
    latency
        From sending to receipt by the middleware, s; null where unknown.
    lost
        Messages that were sent and did not arrive, since the start.
    silent
        Since the latest message, s; null where there was none.

    """

    name: str
    rate: float
    latency: float | None
    lost: int
    silent: float | None


@dataclass(frozen=True)
class BoardStatus:
    """How a servo board is.

    Attributes
    ----------
    name
        As in the servo maps.
    state
        Of the line to it, in few words.
    supply
        Voltage of the servos, V; null where the board does not tell.
    low_voltage
        Whether that is too low.
    counters
        What was counted, such as `bad_frames`.

    """

    name: str
    state: str
    supply: float | None
    low_voltage: bool
    counters: Mapping[str, int]


@dataclass(frozen=True)
class Statuses:
    """How nodes, boards and topics are: once a second, and when a state changes.

    Attributes
    ----------
    nodes
        In the order of the chain.
    boards
        In the order of the servo maps.
    topics
        That the server listens to.
    kind
        Of message.

    """

    nodes: tuple[NodeStatus, ...]
    boards: tuple[BoardStatus, ...]
    topics: tuple[TopicStatus, ...]
    kind: Literal['statuses'] = 'statuses'


@dataclass(frozen=True)
class Event:
    """Something that has happened: a state, an order and its answer, a refusal, a limit, a loss.

    Attributes
    ----------
    at
        When.
    who
        Node, order or topic.
    level
        0 is well, 1 a warning, 2 an error.
    words
        What: with leg, value and bound where there are some.

    """

    at: float
    who: str
    level: Level
    words: str


@dataclass(frozen=True)
class Events:
    """What has happened since the last `Events`, in its order.

    Attributes
    ----------
    events
        New ones; the first message after `Hello` has the latest hundred.
    kind
        Of message.

    """

    events: tuple[Event, ...]
    kind: Literal['events'] = 'events'


@dataclass(frozen=True)
class Control:
    """Whether this page may drive; sent to each page whenever it changes for it.

    Attributes
    ----------
    offered
        Whether anybody may drive from a page at all; if not, all buttons are left out.
    armed
        Whether this page is the one that drives.
    moving
        Whether this page moves the robot now.
    press
        Number of the latest press that was stopped by the server, or 0: a press up to this number
        moves nothing any more, and has to be let go.
    words
        How it stands: who drives, why nobody can, why the robot was stopped.
    kind
        Of message.

    """

    offered: bool
    armed: bool
    moving: bool
    press: int
    words: str
    kind: Literal['control'] = 'control'


@dataclass(frozen=True)
class Answered:
    """What became of an order, told to all pages.

    Attributes
    ----------
    at
        When.
    order
        `stand`, `crouch` or `release`.
    success
        Whether it was carried out.
    words
        What was done, or why nothing was.
    kind
        Of message.

    """

    at: float
    order: Literal['stand', 'crouch', 'release']
    success: bool
    words: str
    kind: Literal['answered'] = 'answered'


@dataclass(frozen=True)
class Mark:
    """Something worth looking at in a recording.

    Attributes
    ----------
    at
        s from the beginning.
    stop
        Whether the robot stopped there.
    words
        What happened.

    """

    at: float
    stop: bool
    words: str


@dataclass(frozen=True)
class Recording:
    """That a recording is shown.

    Attributes
    ----------
    name
        Of its file.
    duration
        s.
    marks
        In the order of time.
    kind
        Of message.

    """

    name: str
    duration: float
    marks: tuple[Mark, ...]
    kind: Literal['recording'] = 'recording'


@dataclass(frozen=True)
class Playback:
    """How the recording is played for this page; frames tell where it is.

    Attributes
    ----------
    playing
        Whether it goes on by itself.
    speed
        As a multiple of real time.
    kind
        Of message.

    """

    playing: bool
    speed: float
    kind: Literal['playback'] = 'playback'


# ---- to the page, of a design that is checked while its description is edited


@dataclass(frozen=True)
class Doubt:
    """Something in the description that may be meant, but seldom is.

    Attributes
    ----------
    seen
        Place in the file, and what stands there.
    cure
        What to look at, and what to write if it was not meant.

    """

    seen: str
    cure: str


@dataclass(frozen=True)
class Doubts:
    """What stands out in a description at once, before the check has begun.

    Attributes
    ----------
    doubts
        In the order of the check.
    out_of_reach
        Names of legs that cannot take the standing posture; they are shown stretched, as far as
        their limits let them.
    legs
        Names of the legs that shall stand out: those, and those of the doubts.
    kind
        Of message.

    """

    doubts: tuple[Doubt, ...]
    out_of_reach: tuple[str, ...]
    legs: tuple[str, ...]
    kind: Literal['doubts'] = 'doubts'


@dataclass(frozen=True)
class Checking:
    """A check runs; the report that was told last is of the description before.

    Attributes
    ----------
    doing
        What is being looked at, such as `walking forward`.
    kind
        Of message.

    """

    doing: str
    kind: Literal['checking'] = 'checking'


@dataclass(frozen=True)
class Wrong:
    """Nothing is known of the files as they stand; the report is the one before.

    Attributes
    ----------
    words
        What is wrong, where, and the cure: of a file with its line, or why the check has ended.
    kind
        Of message.

    """

    words: str
    kind: Literal['wrong'] = 'wrong'


@dataclass(frozen=True)
class Former:
    """What a line of the report before had.

    Attributes
    ----------
    value
        As it was shown.
    verdict
        Of that line.
    trend
        What has become of it since, by the bounds of the line.

    """

    value: str
    verdict: Literal['pass', 'tight', 'fail']
    trend: Literal['better', 'worse', 'the same']


@dataclass(frozen=True)
class Finding:
    """A line of the report.

    Attributes
    ----------
    group
        What it is about; lines of a group follow each other.
    name
        Of the value.
    value
        With its unit, as the terminal shows it.
    bounds
        What it takes to pass and, in brackets, where the line fails.
    verdict
        Of this line.
    detail
        Where and when the value was found, or why there is none; may be empty.
    remedy
        What would help; without meaning where the line passes.
    advice
        Single changes that were tried and are enough.
    former
        Of the report before, where that had another value in this line; else null.

    """

    group: str
    name: str
    value: str
    bounds: str
    verdict: Literal['pass', 'tight', 'fail']
    detail: str
    remedy: str
    advice: tuple[str, ...]
    former: Former | None


@dataclass(frozen=True)
class NotAsked:
    """What was not looked at.

    Attributes
    ----------
    questions
        In a word or a few each.
    reason
        What the robot lacks.

    """

    questions: tuple[str, ...]
    reason: str


@dataclass(frozen=True)
class Report:
    """What the check of the latest description has found; ends `Checking` and `Wrong`.

    Attributes
    ----------
    verdict
        The worst of all lines.
    findings
        Line by line.
    remarks
        What was assumed, or could not be looked at and why.
    not_asked
        What nobody can ask of such a robot.
    legend
        What the numbers mean.
    whole
        Whether it is all; if not, changes are being tried that would help, and the same report
        comes again with them as `advice`.
    kind
        Of message.

    """

    verdict: Literal['pass', 'tight', 'fail']
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]
    not_asked: tuple[NotAsked, ...]
    legend: str
    whole: bool
    kind: Literal['report'] = 'report'


@dataclass(frozen=True)
class Picture:
    """A picture of the report.

    Attributes
    ----------
    title
        What it is, in a few words.
    words
        What it shows, for who does not see it.
    png
        The file, in base64 (RFC 4648).

    """

    title: str
    words: str
    png: str


@dataclass(frozen=True)
class Pictures:
    """All pictures of the latest report; they take the place of the former ones.

    Attributes
    ----------
    pictures
        In the order in which they are looked at.
    kind
        Of message.

    """

    pictures: tuple[Picture, ...]
    kind: Literal['pictures'] = 'pictures'


OfDesign = Doubts | Checking | Wrong | Report | Pictures


# ---- to the page, of a robot that is measured at the bench


@dataclass(frozen=True)
class Offered:
    """An answer that is offered.

    Attributes
    ----------
    key
        That gives it at a keyboard.
    words
        What it does.

    """

    key: str
    words: str


@dataclass(frozen=True)
class Entry:
    """What can be typed as an answer.

    Attributes
    ----------
    prompt
        What, with its unit.
    characters
        That it is made of; another one that is a key of an answer gives that.
    longest
        Nobody types more characters.

    """

    prompt: str
    characters: str
    longest: int


@dataclass(frozen=True)
class Asked:
    """What a person at the bench is asked now; said whenever something of it changes.

    Attributes
    ----------
    number
        Of the question, one more for each; answers name it.
    title
        What it is about.
    text
        What to do or to look at.
    offered
        The answers.
    entry
        What can be typed instead; null where nothing is to be.
    words
        What the last answer has led to; may be empty.
    level, condition
        How the bench is.
    shown
        What a mock shows of what a person would read off; may be empty.
    about
        The joint or the leg that it is about, as in the robot; empty where it is about all.
    kind
        Of message.

    """

    number: int
    title: str
    text: str
    offered: tuple[Offered, ...]
    entry: Entry | None
    words: str
    level: Level
    condition: str
    shown: str
    about: str
    kind: Literal['asked'] = 'asked'


@dataclass(frozen=True)
class Lead:
    """Who answers.

    Attributes
    ----------
    leading
        Whether this page does.
    free
        Whether nobody does.
    words
        Why not this one, or what became of its lead; may be empty.
    kind
        Of message.

    """

    leading: bool
    free: bool
    words: str
    kind: Literal['lead'] = 'lead'


OfBench = Asked | Lead

ToPage = (
    Robot
    | Frame
    | Statuses
    | Events
    | Control
    | Answered
    | Recording
    | Playback
    | OfDesign
    | OfBench
)


# ---- from the page


@dataclass(frozen=True)
class Hello:
    """The first message of a page; the server closes the connection after a wrong token.

    Attributes
    ----------
    token
        What stands in the fragment of the address of the page, behind `#`.
    kind
        Of message.

    """

    token: str
    kind: Literal['hello'] = 'hello'


@dataclass(frozen=True)
class Arm:
    """The page wants to drive; refused while another one does.

    Attributes
    ----------
    kind
        Of message.

    """

    kind: Literal['arm'] = 'arm'


@dataclass(frozen=True)
class Disarm:
    """The page drives no more.

    Attributes
    ----------
    kind
        Of message.

    """

    kind: Literal['disarm'] = 'disarm'


@dataclass(frozen=True)
class Hold:
    """A hold-to-run control is pressed: said at each change, and after `HOLD_EVERY` without one.

    Attributes
    ----------
    press
        Number of the press, from 1, one more for each; a press that was stopped never counts again.
    sequence
        Grows with every message of the connection; one that does not is refused.
    seen
        Instant of the latest frame that the page has drawn.
    forward, left, turn
        How far the body shall walk each way, or lean each way, -1 to 1 of the range.
    up, roll, pitch
        The same of a body that leans; without meaning where it walks.
    lean
        Whether the body leans instead of walking: `turn` is then yaw. It goes on leaning for as
        long as the deflection lasts, and stays as it is when let go.
    level
        Whether the body shall go back to level.
    fast
        Whether the fast range counts.
    kind
        Of message.

    """

    press: int
    sequence: int
    seen: float
    forward: float = 0.0
    left: float = 0.0
    turn: float = 0.0
    up: float = 0.0
    roll: float = 0.0
    pitch: float = 0.0
    lean: bool = False
    level: bool = False
    fast: bool = False
    kind: Literal['hold'] = 'hold'


@dataclass(frozen=True)
class LetGo:
    """The control was let go, or the page is no longer looked at: the robot stops.

    Attributes
    ----------
    press
        Number of the press that has ended.
    why
        In few words, such as `finger lifted` or `page hidden`.
    kind
        Of message.

    """

    press: int
    why: str
    kind: Literal['let_go'] = 'let_go'


@dataclass(frozen=True)
class Order:
    """Something that shall be done once.

    Attributes
    ----------
    order
        `release` is obeyed from every page; the others from the one that drives.
    kind
        Of message.

    """

    order: Literal['stand', 'crouch', 'release']
    kind: Literal['order'] = 'order'


@dataclass(frozen=True)
class Seek:
    """Go to an instant of the recording.

    Attributes
    ----------
    at
        s from its beginning.
    kind
        Of message.

    """

    at: float
    kind: Literal['seek'] = 'seek'


@dataclass(frozen=True)
class Play:
    """Play the recording, or pause.

    Attributes
    ----------
    playing
        Whether it shall go on by itself; at its end it begins anew.
    speed
        As a multiple of real time, 0.1 to 10.
    kind
        Of message.

    """

    playing: bool
    speed: float
    kind: Literal['play'] = 'play'


@dataclass(frozen=True)
class TakeLead:
    """The page wants to answer what is asked at the bench; refused while another one does.

    Attributes
    ----------
    kind
        Of message.

    """

    kind: Literal['take_lead'] = 'take_lead'


@dataclass(frozen=True)
class LeaveLead:
    """The page answers no more, since it is hidden or somebody says so.

    Attributes
    ----------
    kind
        Of message.

    """

    kind: Literal['leave_lead'] = 'leave_lead'


@dataclass(frozen=True)
class Leading:
    """The page that leads is there: said every `LEADING_EVERY`.

    Attributes
    ----------
    kind
        Of message.

    """

    kind: Literal['leading'] = 'leading'


@dataclass(frozen=True)
class Choose:
    """An answer that was offered.

    Attributes
    ----------
    number
        Of the question.
    key
        Of the answer.
    kind
        Of message.

    """

    number: int
    key: str
    kind: Literal['choose'] = 'choose'


@dataclass(frozen=True)
class Enter:
    """An answer that was typed.

    Attributes
    ----------
    number
        Of the question.
    text
        As it was typed.
    kind
        Of message.

    """

    number: int
    text: str
    kind: Literal['enter'] = 'enter'


@dataclass(frozen=True)
class Off:
    """Pulses off now; obeyed from every page.

    Attributes
    ----------
    kind
        Of message.

    """

    kind: Literal['off'] = 'off'


FromBench = TakeLead | LeaveLead | Leading | Choose | Enter | Off

FromPage = Hello | Arm | Disarm | Hold | LetGo | Order | Seek | Play | FromBench
