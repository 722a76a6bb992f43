"""Whether all that is told of a word is understood: a phrase permits it only where nothing beside it is a second deed.

Owns: plain words of which descriptions of harmless words are made, by what the word is for; the first that is none of
them. Refuses: to find out what a word is for (`lexicon`, `meaning`), and to know all words of harm: what is not known
is not sent.
"""

# ruff: noqa: E501 - a pattern is read in one piece
from __future__ import annotations

import re

from protocol.learn.dialogue import Role


def _all(*texts: str) -> frozenset[str]:
    return frozenset(" ".join(texts).split())


_PLAIN = _all(
    "a an the this that these those it its itself they them their there here which what who whose whether how many much",
    "i me my we our you your one two three four five six seven eight nine ten twenty hundred thousand half once twice",
    "time times in of and or nor but so than both either each every all any some no none not never only just also too",
    "to for with without within between by at from on per as if when where while until till unless after before then",
    "above below over under along across inside into about around near through via is are be been was were am do does",
    "did done has have had can could may might must should will would shall need needs let lets say says tell tells",
    "same like likewise ditto such other another more most less least few fewer very now next last latest newest present",
    "current actual recent first second third fourth new whole full complete completely entire single plain pure",
    "best usual given called named known e g i e etc resp incl included including example see mean means meaning works",
    "more than at most at least up to one's please thanks always again immediately likely mostly evenly spread",
    "part parts kind way form detail details unit units integer integers positive negative whole small large larger smaller",
    "max maximum min minimum limit limits default's range ranges number numbers count counts value values amount quantity",
    "argument arguments parameter n k m x f value's plus minus point's number's spaced even hundredth tenth tenths",
    "lie lies fall falls exceed exceeds beyond outside together altogether want wants wanted wish whichever whatever whenever whose during typed follow follows followed preceded seconds minutes",
    "sec ms us ns usually normally typically approximately roughly exactly else equally regular even ascending rising order",
    "fit fits fitted stay stays inside allowed possible understood taken accepted useful required optional mandatory",
)
"""Words of any description. Those that bid something to be changed, kept or moved are none of them."""
_MANNER = _all(
    "accordingly accurately across actually almost already although among amongst anywhere appropriate",
    "approximate arbitrary bad barely because belong belongs beneath besides better between big bigger biggest",
    "brackets briefly broad broader broadest carefully certain character characters chart chiefly close closer",
    "closest coarser colon common commonly convenient costs counted counting couple covering currently curve",
    "customary dash decimals deep deeper dense denser depend depends desired differ different differs difficult",
    "directly distinct dozen easier easy eighth english equal equals especially ever everywhere exact exist",
    "exists expect expects eye eyes far farther farthest fashion fifth figure figures finer finest finger",
    "fraction fractional fractions fully generally gently good graph great greater greatest guess handy happen",
    "happens hard hardly hence hope however huge hyphen instant instead intended know knows language like likes",
    "little longest loose mainly manner matter matters merely moreover mostly namely naturally near nearer",
    "nearest nearly neat neatly needed nice nicely ninth nominal numeric numerical obviously often old older",
    "ordinary otherwise paragraph particularly partly perfectly picture plainly precise precisely prefer prefers",
    "presently proper properly purpose quickly quite quote quotes ranging rarely rather reach reaches really",
    "reason reasonable requested respectively rough rougher rounded seldom sense sensible sentence sentences",
    "seventh several shallow sharp sharper sharpest sheet shortest shortly sign signs similarly simple simpler",
    "simplest simply since sixth slash slowly solely sometimes somewhere sort spanning sparse steep straight",
    "style suitable supposed sure symbol symbols tenth therefore think thinks though throughout thus tidy tight",
    "tighter tiny type types typical various when whereas while wholly why wished worse worst young",
)
"""How something is: of any description, too, and no deed in any place."""
_HERTZ = _all(
    "anfangsfrequenz endfrequenz mittenfrequenz schrittweite untere obere western eastern arrives arrive departs depart total overall wavelength short long",
    "frequency frequencies freq freqs freqency frequenz f hz khz mhz ghz hertz kilohertz megahertz gigahertz",
    "kilocycles megacycles cycles kc mc cps sweep sweeps sweeping swept scan scans scanned window band measurement measuring measured start starts starting stop stops begin",
    "begins beginning end ends ending edge edges lower upper low high lowest highest lower higher top tops bottom left",
    "right initial final origin corner corners ef sf fa fb span width wide step steps stepping spacing increment distance",
    "centre center centred centered mid middle midpoint stimulus point points set sets choose chooses select selects enter change changes",
    "plan fmin fmax fstart fstop startfrequenz stoppfrequenz anfang ende mitte punkte analyzer analyser instrument station stations channel channels path begun each trial",
)
_PASSED = _all(
    "listen listens listening hears",
    "bandwidth bandwidths band width if ifbw rbw bw receiver receive received reception rx resolution filter filters detector",
    "selectivity video narrow narrower wide wider slow slower fast faster fastest quiet quieter quietest smooth smoother smoothest noise medium measuring",
    "longer shorter listens listen hears hear costs cost",
    "analyzer analyser intermediate code index table tables gate b w clean cleaner cleanest rate",
)
_COUNTED = _all(
    "chosen selected divide divides divided nr nof no num qty pieces piece cut cuts slices slice bins grid punkte messpunkte anzahl der finely",
    "visit visits visited fine finely coarse points point pts record records sample samples dots dot stations station rows row lines line readings reading",
    "divide divides split splits grid",
    "measurements trace traces length long sweep sweeps scan scans frequencies power exponent log set sets choose chooses select selects",
    "average averages averaging averaged passes pass running over mean factor rolling ticks tick stops",
)
_TOLD = _all(
    "print prints printed list lists listed show shows shown output outputs give gives given send sends sent read reads",
    "readout report reports return returns returned get gets tell tells told fetch fetches display displays say says type",
    "types answer answers answered reply replies query queries dump dumps speak look write writes out ask asks transmit",
    "transmits hear text line lines visualise visualises visualize play plays todo",
)
_DATA = _all(
    "refl trans tau coeff coef coeffs forward seen looking look looks thrown bounced mirrored mirror part ordinate ordinates abscissa download downloads wave waves",
    "s s11 s21 s12 s22 r x data trace traces result results reading readings record records point points pts sample samples row rows column columns value values",
    "reflection reflected reflections reflexion transmission transmitted transmissions transfer thru through passage",
    "forward return returned returning gate gates port ports socket sockets input antenna connector device dut station a b c d re im real imag imaginary",
    "complex cartesian polar magnitude magnitudes mag amplitude ampl amp level size echo echoes angle angles phase phases ph degree",
    "degrees deg radian radians rad turn turns db decibel decibels linear lin ratio ratios gain loss insertion",
    "attenuation coefficient coefficients voltage rho gamma vswr bearing pair pairs comma commas separated semicolon tab tabs tabulated",
    "tabulator blank blanks space spaces spreadsheet csv text ascii decimal decimals fixed hex hexadecimal binary bin signed unsigned bit bits two's complement compl",
    "vector vectors scattering sorted absolute unwrapped wrapped delimited delimiter quoted array arrays matrix readable",
    "detector detectors equidistant standard error deviation write writes arrived leaflet step steps loss's terminated headed quadrature incident reflectometer ordinary normal percent milli micro nano scaled scale scaling units",
    "byte bytes base64 base json xml little big endian block blocks float floats scientific exponent engineering digits digit code coded table tables tag tags tagged head header index idx seq number numbered",
    "frequency frequencies freq freqs f hz khz mhz ghz axis stimulus sweep sweeps swept sweeping scan scans measurement measurements measured measure",
    "measures pass finished complete completed acquired taken came made comes coming back bounced went goes got out arrived arriving received",
    "newest line lines signal seen observed direction path weaker ready order half halves smaller again select selects choose chooses choice either",
    "check wave factor match comes way curve curves",
    "raw uncorrected plot flag flags reached checksum crc sum end ends ended stream",
)
_DONE = _all(
    "initiate initiates acquisition acquisitions exposure capture captures captured record records measured swept scanned shot everything wish ready",
    "take takes taken taking make makes made run runs running start starts started starting trigger triggers execute executes",
    "perform performs performing begin begins acquire acquires acquiring measure measures measuring carry carries carried",
    "wait waits await awaits finish finishes finished finishing end ends stop stops stopped hold holds pause pauses do does",
    "doing go goes sweep sweeps sweeping scan scans scanning pass passes measurement measurements",
    "shot initiate initiates commence commences fresh another curve work works walk walks launch launches fire fires",
    "reading readings round rounds complete completed completion completes completely sync synchronous prompt prompts message",
    "ok ready busy idle ack done aye roger channel channels stations station point points seconds second ms",
    "free freely continuous continuously trace traces back freeze freezes halt halts stand stands blocking blocks block set sets span conditions day stay",
    "result results data frequency frequencies range follows settings state progress left still while answered effects",
)
_STATED = _all(
    "busy ready idle done running run finished complete completed wait waits waiting sweep sweeps sweeping measurement",
    "measuring measure state status progress flag flags ok still yes 1 0 data ended ends end percent points left to come go",
    "scan scanning b r hold holds held stopped in code seconds ack acquire take once result results",
)
_NAMED = _all(
    "version versions firmware software hardware model identity identification ident identify id identifies name names who i",
    "am instrument analyzer analyser device maker type string about serial station unit build date this info information banner revision rev",
)
_SET = _all(
    "has have been so far chosen selected show shows",
    "am holds summary",
    "force told chosen asked entered typed have stand stands working check checks matters things am view views where me we recite recites review reviews name state states present spell summarise echo card back settings setting parameters parameter configuration config cfg variables variable fields field setup values set state",
    "status use sweep frequency frequencies points bandwidth averages span everything dump key all understood list line lines instrument present plan tables page",
)
_HELPING = _all("help list menu text words word commands command page short this lists usage")

_REMARKED = _all(
    "alone cover covers covered manual handbook leaflet page card walk walks hop hops stop stops through places place bins bin spots equidistant spaced appendix chapter table tables see plain logarithmic log shown answered printed shown set settings",
    "configure configures define defines specify specifies grid parameter parameters setting setup flags command commands word words back computer cfg conf config configuration analyzer instrument",
)
_SWEPT = _HERTZ | _PASSED | _COUNTED | _TOLD | _DATA | _DONE | _REMARKED

_FED = _all(
    "antenna socket sockets port ports input output outputs out sent send sends transmit transmits transmitted signal gain",
    "gains level filter filters device dut connector",
)
"""What something is sent out of or through: no part of where a sweep begins or ends."""
_BRIEF = _all(
    "a an the this that these those it its i you me my is are be been all as of in and or on for to by what how which with",
    "now none present current actual every each any one x n s",
)
"""Words of a description that is short, for what it tells is plain: all the settings, who it is."""

_BY_ROLE: dict[Role, frozenset[str]] = {
    **dict.fromkeys(
        (Role.START, Role.STOP, Role.CENTRE, Role.SPAN, Role.STEP, Role.RANGE, Role.POINTS, Role.AVERAGE),
        _PLAIN | _MANNER | (_SWEPT - _FED) | {"kit"},
    ),
    Role.BANDWIDTH: _PLAIN | _MANNER | (_SWEPT - _FED) | {"filter", "filters", "port"},
    Role.DATA: _PLAIN | _MANNER | _SWEPT | {"side"},
    Role.FREQUENCIES: _PLAIN | _MANNER | _SWEPT,
    Role.SWEEP: _PLAIN | _MANNER | (_SWEPT - {"command", "commands", "signal", "antenna", "device", "dut"}),
    Role.HOLD: _PLAIN | _MANNER | ((_DONE | _REMARKED) - {"end", "ends"}),
    Role.RUN: _PLAIN | _MANNER | _DONE | _REMARKED,
    Role.STATUS: _PLAIN | _MANNER | _TOLD | _STATED,
    Role.IDENTITY: _BRIEF | _TOLD | _NAMED,
    Role.SETTINGS: _BRIEF | _TOLD | _SET,
    Role.HELP: _BRIEF | _TOLD | _HELPING,
}

_LASTING = re.compile(
    r"(?i)\b(?:from (?:now|here|then|that|this)(?: time)? on|now on|from here|(?:of|from|to|by) (?:the |an)other (?:unit|station|analy[sz]er|instrument)|for (?:all|everybody|everyone|ever|others)\s*\W*$|"
    r"(?:taken|take|set|made|known|used|use) (?:as|for|to)\b(?! (?:\d|hz|[kmg]hz|the (?:number|start|stop|end))\b)|"
    r"(?:gives?|given) [^,.;]{0,24}\bup\b|go(?:es)? (?:to|back)\b|until (?:further|then)|"
    r"to (?:all|every|any|the other)\b|over (?:mine|yours|it|the other)|"
    r"(?:transmit|send|output|give)s? (?:[^,.;]{0,16}\b)?(?:at\b|in turn)|go(?:es|ing)? out|last goes|to hold\b|runs? the (?!sweep|scan|whole|full)|"
    r"(?:takes?|taken) (?:\w+ ){1,4}for\b(?! (?:each|every|all|one|the|a) ?(?:sweep|scan|points?|traces?|frequency|frequencies|both|span))|"
    r"takes? [a-z ]{1,24}\bout\b|\b(?:data|s ?[12][12]|traces?|points|it|them) to (?:the )?(?:port|socket|antenna|device)|makes? (?:[a-z]+ ){1,3}the\b|time base|(?:stop|pass|low|high|band)[ -]?(?:band|pass)\b|to (?:be (?:given|sent|skipped|called|set)|transmit|send)\b|points (?:to|the|at|out)\b|bit rate|bits? per|line end|over the air)|"
    r"\d ?(?:m?[VWA]|kV|dBm)\b"
)
"""What it does lasts, or touches others, in words that are plain each by itself."""
_COME_IN = re.compile(
    r"(?i)\b(?:get|fetch|take|read|receive)s? (?:[a-z]+ ){1,3}(?:of|from|via) (?:the |a |an )?(?!sweep|scan|s ?[12]|last|latest|newest|present|each|every|all|this|port|both|\d)[a-z]+"
)
"""Something is brought in from somewhere else."""
_LEFT_OUT = re.compile(
    r"[@$%/]\w+|<[^<>]*>|\{[^{}]*\}|'[^']*'|\"[^\"]*\"|(?i:(?<=\bdb) (?:down|up)\b|\b[01] ?(?:=|:|is|means) (?:off|on|none)\b|(?:any |a )?key is pressed|\bleft out\b|\bbounce[sd]? (?:off|back from)\b|\bwaits? (?:for|until|till) (?:the |a )?\w+(?=\W*$)|(?<=\bwrite) down\b|(?<=\bwrites) down\b|\bkeeps? the last (?:trace|sweep)\b|\w+\?|\b(?:([a-z])\1{2,})+\b)"
)
"""What is no deed: arguments, what is said word by word, the direction of a level, a count that turns itself off."""
_ALTERS = re.compile(
    r"(?i)(?<!\bis )(?<!\bhave )(?<!\bbeen )(?<!\bwas )(?<!\bare )(?<!\bas )(?<!\bam )(?<!\bthe )(?<!\bthis )\b(?:set|change|enter|make|alter|put)s?\b(?! of)|"
    r"\b(?:choose|select)s?\b(?! (?:the |a |one )?(?:trace|of))|"
    r"\bsettings (?:their|first)|\btheir first|start from|\binto\b"
)
"""What only tells alters nothing."""
_MOVES = re.compile(
    r"(?i)(?<!\bis )(?<!\bas )(?<!\bam )(?<!\bthe )(?<!\bthis )\b(?:set|change|enter|alter|put)s? (?:the )?(?!of\b)(?:port|trace|s ?[12]|data|value|point)|"
    r"\b(?:is|are) (?:then |now |equal )*(?:the|a|to|\d)\b|\b(?:transmit|send|output)s? (?:one |a |the )?(?:sweep|scan)\b|"
    r"\b(?:with|without)\b[^,.;]*\b(?:port|ports|socket|connector|nothing)\b"
)
"""What only sweeps moves nothing, needs nothing to be joined, and its result is nothing but a result."""
_TELLING = frozenset({Role.DATA, Role.FREQUENCIES, Role.SETTINGS, Role.IDENTITY, Role.STATUS})
_WHOLE = re.compile(
    r"(?i)(?:range|sweep|scan|start|frequenc\w+) (?:from|to|until)|what (?:i am|it is|is|you are) set (?:to|at)"
)
"""A sentence that ends so and is whole: `range from`, `what I am set to`."""
_ENDS_OPEN = re.compile(
    r"(?i)(?:&|\b(?:and|or|then|to|the|a|an|of|as|into|with|from|by|for|which|that|is|are|be|its|in|on|until|at))\s*$"
)
"""A sentence that must go on."""


def strange(role: Role, description: str, arguments: str = "") -> str:
    """The first part of a description that is not understood, in a word that is for `role`; "" where all of it is.

    `arguments`, as its usage names them, may be spoken of. Its own name may not: `tare` is no reason for `tare`.
    """
    known = _BY_ROLE.get(role)
    if known is None:
        return ""
    if _WHOLE.fullmatch(description.strip()):
        return ""
    open_end = _ENDS_OPEN.search(description)
    if open_end and not (role is Role.DATA and description.count("(") > description.count(")")):
        return f"{open_end.group().strip()} ..."
    text = _LEFT_OUT.sub(" ", description)
    lasting = _LASTING.search(text) or (_COME_IN.search(text) if role in _TELLING else None)
    alters = (_ALTERS if role in _TELLING else _MOVES).search(text) if role in _TELLING | {Role.SWEEP} else None
    found = lasting or alters
    if found is not None:
        return found.group().strip()
    mine = set(re.findall(r"[a-z]+", arguments.lower()))
    for word in re.findall(r"[a-z]+", re.sub(r"[\w.]*\d[\w.]*", " ", text).lower()):
        if word not in known and word not in mine and len(word) > 1:
            return str(word)
    return ""
