"""Words that speak for a role of a console's word, and words that speak of harm.

Owns: the patterns. Refuses: to decide; `allow` does. A pattern for a name matches the whole name, for it has to stand
alone; one for a description matches a phrase that says what the word does, never a stem that may mean anything.
"""

# ruff: noqa: E501 - a pattern is read in one piece
from __future__ import annotations

import re

from protocol.learn.dialogue import Role

_HZ = r"[\s,(\[]*(?:in\s+)?(?:units of\s+)?(?:\d+\s*)?[kmg]?hz"
_LOW = r"(?:left|start\w*|first|low|lower|lowest|begin\w*|initial|bottom|anfang\w*)"
_HIGH = r"(?:right|stop\w*|last|high|upper|highest|end\w*|final|top)"
_FREQ = r"(?:freq\w*|frequenz|edge|end|limit|corner)"
_TRACE = r"(?:s11|s21|s ?1 ?1|s ?2 ?1|reflection|transmission|reflexion|traces?|measured values|points|data|results?)"
_TELL = r"(?:print|list|show|output|give|send|read|dump|return|report|get|tell|transmit|fetch)(?:e?s)?"

DESCRIPTIONS: tuple[tuple[Role, str], ...] = (
    (Role.FREQUENCIES, rf"(?!.*\b(?:s ?[12][12]|reflection|transmission|traces)\b)(?:^(?:list of |all |the )*|\b{_TELL}\b.{{0,20}})frequenc(?:ies|y values)|"
     r"frequency (?:of every|of each|list|axis)|x[ -]axis|^list of frequenc\w+|stimulus (?:values|list)"),
    (Role.HOLD, r"stop sweeping|hold (?:the )?sweep|freezes? (?:the )?(?:traces?|sweep)|halt(?:s)? (?:the )?sweep|"
     r"(?:stops?|halts?|ends?|quits?|no more) (?:(?:the|its|all|any|free|running|free[- ]running|continuous|endless) )*(?:sweep(?:s|ing)?|scan(?:s|ning)?)\b"),
    (Role.RUN, r"sweeps? freely|free[- ]?run\w*|continuous(?:ly)?\b.{0,12}sweep|sweep continuous\w*|resume sweep\w*"),
    (Role.STATUS, r"sweep state|whether the sweep is|(?:sweep|measurement) (?:finished|done|busy)|"
     r"^\(?\s*(?:busy\b.{0,8}\bready|1 busy|ready\b.{0,8}\bbusy)|^(?:busy|run|running|wait|sweeping|idle|ready|done|b)(?:/| or |, ?)(?:ready|idle|ok|finished|running|busy|sweeping|done|r)\W*$"),
    (Role.RANGE, r"set the sweep\b|sweep limits|set (?:the )?(?:frequency|sweep) range|\bstart\W{1,4}stop\b|"
     r"start and stop(?=\W*$|\W+(?:freq\w*|of (?:the )?sweep|in\b|[kmg]?hz|points?\b|end|edge|value))|"
     r"frequency range and points|\bfrom\W{1,4}to\b.{0,10}hz"),
    (Role.SPAN, r"(?:^|frequency )span\b|width of (?:the )?sweep|sweep width|^width\b(?!.*(?:band|filter|receiver|resolution|detector|\bif\b))|span" + _HZ),
    (Role.STEP, r"(?<!number of )(?<!many )(?:freq\w* |sweep )(?:step|increment|spacing)|distance between (?:two )?points|^increment\b|"
     r"^(?:step|spacing)(?:" + _HZ + r"|$)|^hz step|step (?:size|width)"),
    (Role.CENTRE, r"cent(?:re|er) freq\w*|middle of (?:the )?sweep|^cent(?:re|er)\b|^middle" + _HZ + r"|mid freq\w*"),
    (Role.BANDWIDTH, r"band ?width|\bif ?bw\b|\brbw\b|^width of (?:the |its )?(?:receiver|receiving|if|i\.f\.|detector|resolution|input)?\s?filter\b|"
     r"^(?:the )?(?:receiver|if|resolution|receiving|detector) filter(?:'s)?(?: width)?\b|^filter width\b|^(?:how wide|narrowness of) the receiver\b"),
    (Role.AVERAGE, r"averag\w+"),
    (Role.POINTS, r"number of (?:\w+ )?(?:steps|samples|readings|dots|bins)\b|number of (?:sweep |measur\w+ |freq\w* )?points|points (?:in|per|of) (?:a|the|one|each)? ?sweep|"
     r"sweep points|how many (?:\w+ )?(?:points|frequencies|samples|readings|dots|steps|places|bins|spots|stops|measurements|values)\b|number of (?:\w+ )?(?:frequencies|readings|dots|steps|places|bins|spots|measurements)\b|trace length|^(?:points?|punkte)\b(?! (?:to come|left|done|taken|ready|is|are|nos?\b|[a-z]:))|point count|number of samples|"
     r"^(?:count|n) of points|^(?:readings|points|samples|measurements|dots|frequencies|bins) (?:in|per|over|across) (?:the |a |one |each )?(?:band|sweep|span|scan|range|width|pass)\b|"
     r"\b(?:this|so|as) many (?:points|frequencies|readings)\b|\b(?:into|grid of) (?:\w|this many) points|^(?:sets? |use |take |with |in )?[knx] (?:points|frequencies|readings)\b|\bin points$|^how fine\b.*points|^number of values\b|\((?:number of )?(?:points|pts)\)|^(?:steps|dots|samples|readings)\W{1,3}\d{1,3} ?(?:-|\.\.+|to) ?\d{2,5}\W*$|^[\d .-]*(?:measuring|measurement|measured|frequency|data|test) points\b(?! (?:are|is|of))|^n (?:points|readings|samples|dots|steps)\b|\b(?:no\.?|nr\.?|num\.?) of (?:points|pts)\b|samples per (?:sweep|trace)|^points?[^\w\s]"),
    (Role.START, rf"^(?!.*\bto [\d.]+)(?:(?:to )?(?:sweep|scan|go|run|start|measure|look)s? )?from [\d.]+ ?[kmg]?hz\W*$|^(?:range |sweep )?from(?: \w)?(?:,? (?:in )?[kmg]?hz)?(?: up| on)?$|\b{_LOW}\b.{{0,3}}\b{_FREQ}\b|sweep (?:begins|starts|start|begin)\b(?! (?:now|of))|lower end of|^(?:start|first){_HZ}|"
     rf"^hz first\b|^start$|{_LOW} of (?:the )?sweep"),
    (Role.STOP, rf"^(?!.*\bfrom\b)(?:(?:to )?(?:sweep|scan|go|run|stop|measure|look)s? )?(?:up )?to [\d.]+ ?[kmg]?hz\W*$|^(?:range |sweep )?(?:up )?to(?: \w)?(?:,? (?:in )?[kmg]?hz)?$|\b{_HIGH}\b.{{0,3}}\b{_FREQ}\b|sweep (?:ends|stops|stop|end)\b|upper end of|^(?:stop|last){_HZ}|"
     rf"^stop$|{_HIGH} of (?:the )?sweep"),
    (Role.DATA, rf"\b{_TELL}\b.{{0,40}}\b{_TRACE}\b|\bs ?11(?:re|im|db|deg|mag)?\b|\bs ?21(?:re|im|db|deg|mag)?\b|^(?:(?:the|port (?:1|one)|input|forward|through|front|measured|last) )*(?:reflection|transmission)\b|"
     r"^(?:the |all |all the )?(?:results?|data|measured values|readings)(?: of the (?:last )?(?:sweep|scan|run))?\W*(?:[,;:(]|$)|^(?:print|list|show|dump|send|output|give|fetch)s? (?:out )?(?:the |all |last |latest |whole )+(?:sweep|scan|measurement|run)\b(?! (?:settings|state|limits?|range|points|count|number|parameters|time|speed|mode|type))|"
     r"^(?:the )?(?:last |latest )?measured (?:values|data|points) (?:of|at) port\b|(?:choose|select)s? (?:the |a )?trace|through trace|all measured values|output of reflection|both traces|^(?:first|second) trace\b|"
     r"^(?:print|list|show|dump|send|output|read)s? (?:the )?port[- ]?(?:1|2|one|two|a|b) (?:array|data|values|readings|results|trace|list|table)\b|^return loss\b|^insertion (?:loss|gain)\b|^(?:forward|through) gain\b|^(?:gain|transfer|path) from (?:port )?(?:1|one|a) to\b|^input match\b|"
     r"^(?:the )?wave that (?:comes|came|gets?|got|goes|went) (?:back|through)\b|^what comes out (?:of|at) (?:the )?(?:port|socket) (?:2|two|b)\b|"
     r"^(?:first|second|curve \d)(?: curve)?\W{1,2}(?:reflection|transmission)\b|^(?:the )?same (?:for|of|at) (?:port|socket) (?:2|two|b)\b|"
     r"^(?:refl|trans)\b|\bre ?11\b|\bmeasure\b.{0,20}\bre11|"
     r"\b(?:level|magnitude|amplitude)(?:, | and |/)(?:angle|phase)\b|\bre(?:al)?\b(?:\W{1,3}|\s+and\s+)im(?:ag\w*)?\b|\b(?:db|mag|ampl?)\b\W{1,3}(?:deg|rad)\b"),
    (Role.SWEEP, r"(?:start|make|take|run|do|trigger|execute|perform|begin|carry out|carries out|acquire|doe)s? (?:(?:a|one|1|the|single|new|complete|full) )*(?:sweep|measurement|scan)\b|"
     r"\b(?:single|one)[- ]shot\b(?=\W*$|[,;.:]| (?:sweep|scan|measurement))|^(?:a |one |the )?(?:single|one) (?:acquisition|measurement|capture|run|exposure|shot)\b|"
     r"^(?:are you )?ready to (?:measure|sweep|scan)\W*$|^(?:have|get) (?:it|them|everything|all|all of it) (?:measured|swept|scanned)\b|"
     r"^(?:eine |einmal )?(?:mess(?:en|ung)|durchlauf|wobbeln)\b|"
     r"^(?:perform|trigger|execute|do|start|begin)s? (?:the |an? )?(?:acquisition|measuring|measurement)\b|"
     r"^acquires? (?:the |all )?(?:data|points)\b|^start of (?:the |a )?(?:measurement|sweep|scan)\b|^(?:a |one )?(?:new|another|fresh) (?:sweep|scan|measurement)\b(?! (?:table|list|plan|memory|of|range|limits?))|"
     r"^(?:fire|initiate|launch|kick|trigger|begin|commence|do|record|capture|take)s?(?: off)? (?:(?:a|an|one|the|new|single|complete|full|whole) )+(?:sweep|scan|curve|acquisition|measurement)\b|^(?:initiate|launch|fire)s? sweep\b|"
     r"^(?:go|run|work|step|pass|walk)(?:e?s)? (?:once )?(?:through|over|across|from start to stop)\b(?:.{0,30}\b(?:once|measures?)\b|$)|"
     r"^takes? (?:(?:a|the|all|new) )*(?:readings?|measurements?|data)\b|sweeps? once|"
     r"(?:one|single) (?:sweep|scan|pass)\b|^(?:(?:take|make|do|start)s? )?(?:one|a|a single) run\b|\b(?:a|one) (?:complete|whole|full|single) (?:sweep|scan)\b|^go$|wait(?:s)? (?:until|for) (?:one |a )?(?:complete |whole |full |new |next )*(?:sweep|scan)\b|^(?:triggers?|take)$|^sweep$|^sweeps?\b|^(?:measure|acquire)s?(?:$|[.;,:]|\W+(?:once|now|and (?:print|list|show))\b|\s*\()"),
    (Role.IDENTITY, rf"who am i|who i am|(?:^(?:the )?|\b{_TELL}\b.{{0,20}})(?:firm|soft)ware version|^version\b|^about\b|name and version|^identi\w+|version string|"
     r"^model and"),
    (Role.SETTINGS, r"\b(?:show|print|list|display|tell|give|hear|read|report|dump|query|get|send|recite|say|state|check|what)s?\b.{0,16}\b(?:settings|parameters|configuration)|"
     r"^(?:state|recite|echo|review|summari[sz]e|view|see|name|say|present|spell out|type(?: out)?)s? (?:you )?(?:all |the |all the )*(?:present |current )?(?:settings|parameters)\W*$|"
     r"^(?:show|tell|list|print|display|give)s? (?:you )?(?:all |everything |what )+(?:that )?(?:has been|have been|is|was|were|are|you have|"
     r"you) (?:chosen|set|selected|entered|in force|in use)(?: so far| now)?\W*$|"
     r"^(?:where|how|what|which|the|this is|current|present|status|state|overview|summary|report|situation)\b[^,;:]{0,26}: (?:all |the |all the )*(?:present |current )?(?:settings|parameters)\W*$|"
     r"^(?:the )?(?:current|present|actual|all) (?:the )?(?:settings?|parameters|values|variables|fields|configuration)\b|^\w+ \(settings\)$|^read ?back$|^status of (?:all )?(?:the )?settings\b|^(?:the )?(?:present|current) state$|^what holds(?: now)?$|^settings\?$|^ask for (?:the )?settings\b|^summary(?: of (?:the )?settings)?$|^(?:the )?current range\b|^what i am set to$|"
     r"^(?:show|print|list|display|tell|give|report|dump|query|see|view|read|current|present|all|what|active|actual|sweep|scan|analy[sz]er|instrument)s? (?:config|settings|set-?up)$|^(?:settings|parameters)$|shows? these|hear the settings|"
     r"^(?:(?:tell|show|say|print|list|display|visualise|read|give|view|view of)s? )?(?:you )?(?:how it is set|what is set(?: (?:now|at present|just now|at the moment))?|what (?:has been|was|were) set|what it is set to|as it is set|(?:all |the )*(?:variables|fields|"
     r"set-?up)|(?:me |you )?what (?:i|you|we)(?: have|'ve)? (?:told|set|chosen|asked|entered|typed)(?: (?:it|me|you))?|(?:out |me |you )?how i am (?:set|working)|(?:me )?how (?:it|all|everything|things|matters|the (?:set|box|unit|kit|analy[sz]er|instrument|meter|machine))(?: now)? (?:stands?|is set|are set|is working|works|are)|(?:the |all )*parameters in use|(?:the )?(?:present |current )?(?:set-?up|values))(?: now)?\W*$"),
    (Role.HELP, r"^(?:this (?:text|list|menu|help)|this|list of (?:commands|words)|shows this|help|lists? commands)$"),
)  # fmt: skip

_F = r"(?:f|freq|frequency|sweep|swp)?[._-]?"
NAMES: tuple[tuple[Role, str], ...] = (
    (Role.START, _F + r"start(?:freq|frequency|f|hz)?|(?:freq|frequency)[._-]?(?:low|lower|min)|lower|setstart|f[._-]?lo|from"),
    (Role.STOP, _F + r"stop(?:freq|frequency|f|hz)?|(?:freq|frequency)[._-]?(?:high|upper|max)|upper|setstop|f[._-]?hi|upto|to"),
    (Role.CENTRE, r"(?:f|freq|frequency)?[._-]?(?:centre|center)(?:freq)?|midfreq|freq[._-]?mid"),
    (Role.SPAN, r"(?:f|freq|frequency)?[._-]?span(?:freq)?"),
    (Role.STEP, r"(?:f|freq)?[._-]?step(?:freq)?|spacing"),
    (Role.POINTS, r"(?:num|number|n|nr|nof|sweep|set)?[._-]?(?:of)?[._-]?(?:points|pts)|samples|npt|cnt|count"),
    (Role.BANDWIDTH, r"(?:if|r|rx|res)?[._-]?(?:bw|bandwidth)|if[._-]?width"),
    (Role.AVERAGE, r"(?:n|num)?[._-]?avg(?:[._-]?(?:cnt|count|n))?|averages?|averaging"),
    (Role.DATA, r"(?:out|read|get|list|print|show|tell|dump|send|fetch|give|display)?[._-]?(?:s11|s21|s12_?s21|reflection|transmission|refl|tran|trans|reflexion)|"
     r"(?:out|read|list|print)[._-]?(?:all|both|traces?|data)|traces|gettraces|"
     r"(?:list|print|show|tell|dump|display)[._-](?:transfer|through|thru)"),
    (Role.FREQUENCIES, r"(?:out|read|list|get|print)[._-]?f(?:req|reqs|requency|requencies)?|freqs|frequencies|stimulus"),
    (Role.SWEEP, r"(?:run|do|one|single|take|make|start|begin)[._-]?(?:sweep|scan)|(?:sweep|scan|swp)[._-](?:run|start|go|now|once|single|do|make|take|exec)|do[._-]?single|single|sweep|measure|acquire|trig(?:ger)?"),
    (Role.HOLD, r"hold(?:sweep)?|set[._-]?hold|stop[._-]?sweep"),
    (Role.STATUS, r"is[._-]?done|sweep[._-]?state|sweep[._-]?status|progress"),
    (Role.IDENTITY, r"version|ver|identify|ident(?:ity)?|idn?|fw[._-]?info|fw[._-]?ver(?:sion)?|about|whoami|info"),
    (Role.SETTINGS, r"status|settings|show[._-]?(?:all|settings)|dump[._-]?(?:cfg|config)|getall|report"),
    (Role.HELP, r"help|\?|h|commands|menu|usage|cmds|hlp|man"),
)  # fmt: skip

HARM = re.compile(
    r"\badopt|\bbaseline|\bas (?:the |a )?new\b|\bcop(?:y|ies)\b.{0,20}\bover\b|\b(?:port|signal|source) on\b|noise (?:diode|source)|"
    r"stor(?:e|ed|es|ing)\b|\bsav(?:e|es|ed|ing)\b|flash|eeprom|e2prom|nvram|volatile|memor|permanent|\bwrit(?!es? (?:(?:out|down) )?(?:the |all |both |every )*(?:s ?[12][12]\b|reflection|transmission|'|what (?:came|comes|went|goes|got|gets|arrived|arrives|reached|passed|was)\b|measured|readings?\b|results?\b|traces?\b))|burn|"
    r"commit|persist|calib|\bcal\b|correct|standard(?! (?:error|deviation))|normali|eras|delet|\bclear|wipe|\bformat(?!ted as)|factory|default|"
    r"deliver|restor|reset|restart|reboot|\bboot|\bload|recall|\bslot|firmware(?! version)|updat|upgrad|\bimage|"
    r"serial|\bbaud|speed|owner|(?<!loss )(?<!s11 )(?<!s21 )(?<!through )(?<!thru )(?<!reflected )(?<!received )(?<!transmitted )\blevel(?! list\b| and (?:angle|phase)\b)|\bpower|\bdbm\b|generator|amplif|attenuat|\brf (?:out|on|off|source)|"
    r"output (?:level|power|on|off|amp)|source (?:on|off|power)|trim|crystal|xtal|tcxo|referenc|adjust|\bdac\b|"
    r"service|workshop|mainten|procedure|\bconnect|confirm|forget|forever|for ever|remember|\bkeep(?:s|ing)? (?:this|these|it|(?:the |all |your |my |present |current )*(?:settings|set-?up|config\w*|state|values|parameters)\b)|"
    r"\bkept|stick|next time|power-?on|start-?up|as new|over ?write|\bzero\b|\bnull\b|unlock|password|shut ?down|"
    r"\bfiles?\b|\bcard\b|\bdisk|\bdisc\b|licen|\bregister\b.{0,12}(?:set|poke)|\bpoke|debug|selftest|self-test|danger|"
    r"warning|caution|irrevers|replac|overwrit|do not use|not for users|rebuild|programming|\bsecur|\bfuse|(?<!what it is )(?<!what i am )\bset to\b|"
    r"carrier|transmitter|\btransmit from|\bptt\b|\bkeys? up|\btone\b|\bemi(?:t|ssion)|radiat|\bsteady\b|\balign|\b(?:constant|continuous|fixed) (?:output|signal|wave|power)|alignment|\bbias|heater|relay|\blatch|\balarm|"
    r"temperatur|batter|voltage|\bfan\b|\bmotor|\bsleep|stand-?by|(?:switch|turn)(?:es|s)? off|destroy|scrap|discard|"
    r"\brid of\b|\bdrop(?:s|ped)?\b|remov|\bpurg|\blos(?:e|es|t)\b|trash|\bput\b.{0,20}\bback\b|\bswap|\bundo|\bshift|scrambl|"
    r"install|roll(?:s)? ?back|revert|downgrad|\bread(?:s)? in\b|for good\b|yardstick|subtract|take\b.{0,16}\baway|"
    r"speichern|sichern|l(?:oe|ö)schen|eichen|eichung|kalibrier|abgleich|werkseinst|zur(?:ue|ü)cksetz|dauerhaft|dauerton|dauertr|"
    r"(?:ue|ü)berschreib|umstellen|\bsender\b|"
    r"^(?:keep|retain|pin|lodge|bank|seal|carve|engrave|imprint|stamp|inscribe|archive|stash|stow|file|deposit|preserve|perpetuate|"
    r"cement|anchor|etch|retire|scrub|void|annul|nullif(?:y|ie)|cancel|flush|strip|shed|eject|evict|prune|compensate|baseline|tare|"
    r"rezero|recompute|relearn|teach|train|learn|adopt|accept|approve|rewrite|renew|reseed|reprogram|patch|lock|kill|energi[sz]e|"
    r"excite|inject|boost|put away|lay down|set aside|take over)s?\b(?!-| (?:sweeping|measuring|on sweeping|going))|"
    r"give\b.{0,16}\baway|return\b.{0,24}\bto\b|of the (?:open|short|thru|match)\b|\bthin(?:s)?\b",
    re.IGNORECASE,
)
"""Speaks of harm in a description."""

HARM_NAME = re.compile(
    r"sav|stor|wr(?:i|f|n|s|o|_|$)|flash|eras|ers(?!$)|^\w{0,2}ers$|mers$|del(?!ay|iver)|fmt|format|^cal|cal(?:$|_|st|op|sh|lo|th|cl)|^cor|corr|clr|"
    r"fw(?!_?(?:info|ver))|boot|dfu|(?<!d)isp|fact|dflt|default|(?<!fi)rst|reset|rcl|recall|^load|burn|commit|trim|xtal|serial|baud|"
    r"pwr|power|lvl|level|rf(?:on|o$|out)|^gen|atten|attn|wipe|init|updat|upgr|persist|reboot|poke|format|unlock|"
    r"^(?:thru|through|open|short|match|isol\w*|norm\w*|null|zero|std|keep|lock|slot|mem\w*|preset|macro|prog\w*|patch|park|"
    r"teach|learn|tune|align|tx|txon|ptt|key|kill|nuke|purge|drop|drain|nv\w*|fuse|adj\w*|ref\d?|osc\d?|lo\d|ck\d?|clk\d?|dac\d?)$",
    re.IGNORECASE,
)
"""Speaks of harm in a name."""

HARM_SURELY = re.compile(
    r"sav(?:e|ing)|store|flash|eras|delet|format|boot|reset|factory|default|calib|recall|commit|burn|persist",
    re.IGNORECASE,
)
"""Speaks of harm in a name whatever the description says."""

LOCKED = re.compile(
    r"\b(?:un)?lock(?:ed)?\b|pass ?(?:word|phrase|code)|passwd|\blog ?[io]n\b|authori[sz]|denied|credential|\bsign ?in\b",
    re.IGNORECASE,
)
"""A refusal that speaks of being shut."""

PAGE_WARNS = re.compile(
    r"warning|caution|attention|danger|are you sure|will (?:be |now )?(?:over|eras|los|delet|chang|stor|clear)|"
    r"cannot be undone|be lost\b",
    re.IGNORECASE,
)
"""A page of a listing that does more than list."""

WARNS = re.compile(
    r"warning|caution|attention|danger|are you sure|sure\s*\?|y\s*/\s*\[?n|\[y|\(y|yes\b.{0,8}\bno\b|will (?:be |now )?"
    r"(?:over|eras|los|delet|chang|stor|clear)|cannot be undone|be lost|overwrit|confirm|press enter|press any key to|"
    r"press return|to continue|continue\s*\?|proceed|type yes|then press|and press|\bok\s*\?\s*$",
    re.IGNORECASE,
)
"""A text that asks for leave or warns; nothing is sent after it."""

ASKS_LEAVE = re.compile(
    r"are you sure|sure\s*\?|y\s*/\s*\[?n|\[y|\(y|yes\b.{0,8}\bno\b|confirm|press enter|press return|proceed|"
    r"continue\s*\?|to continue|type yes|\bok\s*\?\s*$",
    re.IGNORECASE,
)
"""A line that asks for leave, whatever stands above it."""

TROUBLE = re.compile(
    r"\berr(?:or|oneous)?s?\b|\b(?:bad|invalid|illegal|unknown|unrecogni[sz]ed|syntax|range|refused|reject(?:ed)?|denied|missing|"
    r"allowed|too (?:high|low|large|small|many|few|big|long|short)|out of|outside|limits?|usage|nak|fail(?:ed|ure)?|cannot|can't|sorry|"
    r"must|only|wrong|expected|beyond|no such|won't|will not|can not|impossible|unchanged|ignored|nothing (?:done|changed|set)|less than|more than|say again|left (?:it )?(?:unchanged|as it (?:is|was))|not (?:between|within|in range|inside|a word|known|on the|valid|possible|known|accepted|understood|taken|supported|a number|one of)|one of)\b|"
    r"^\?|\?$|^-\d+$|^E\d+$",
    re.IGNORECASE,
)
"""A line that says that a setting was not taken."""


def speaking_of(harm: re.Match[str]) -> str:
    """What was found, with the rest of the words that it stands in: `memory`, not `memor`."""
    text, (start, stop) = harm.string, harm.span()
    while start and text[start - 1].isalnum():
        start -= 1
    while stop < len(text) and text[stop].isalnum():
        stop += 1
    return text[start:stop].strip()
