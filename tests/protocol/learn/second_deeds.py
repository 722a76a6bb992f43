"""Rows and listings of invented consoles whose words change, keep, send or move something, told in harmless words.

Owns: the texts, by the kind of trick. Refuses: to judge them (`test_second_deeds`).
"""

from __future__ import annotations

BASE = (
    "f0 <Hz>   start frequency",
    "f9 <Hz>   stop frequency",
    "npt <n>   number of points",
    "go        take one sweep",
    "out       print S11 and S21",
    "ver       name and version",
)
"""What stands around each row."""

ROWS = {
    "keeps for next user": """
snap      take one sweep and make it the baseline
gold      one sweep becomes the golden trace
base      s11 as the new baseline
take0     takes the data as a new zero line
bl        sweep once and hold it as baseline
snapshot  makes a sweep, archives it
log       take a sweep, append it to the logbook
rec       record one sweep in bank 1
bank      one sweep to the bank
stash     run a sweep and stash it
engr      engrave the current settings
mine      current settings become those at switch on
all       all settings become yours for later sessions
wake      present settings are what it wakes with
prom      settings into the PROM
dump2     dump settings to chip
retain    show settings after each restart from here on
ret       retain settings
pres      preserve all settings
latch2    take a measurement, hold it for good measure in rom
bak       back up: send data to bank B
cfg       send settings to the backup
dup       copy s11 to the other trace
copy      one sweep is copied over the held one
tr2mem    trace s21 to hold
tomem     both traces to the backing store
thr       through trace is taken as unity
ref0      s21 taken as 0 dB from now on
unity     make s21 unity
flat      take one sweep, make it flat
ripple    take one sweep and divide all later ones by it
minus     one sweep, deducted from those that follow
offs      measure, then hold as offset
tare      single sweep, tare
dark      take a sweep with the port closed as dark trace
de-emb    one sweep of the fixture, taken out later
ecal      make a sweep of each known load
solt      take data of the four loads
port      electrical length: take one sweep
ext       take one sweep, extend the port by what it shows
""",
    "brings others back": """
get3      get settings of bank 3
pull      fetch settings from the host
rd        read settings from bank
dflts     settings as delivered by the maker
fab       all values back to those of the maker
virgin    all settings virgin
init      give all settings their first values
dl        get data from the pc
rx        read points from the host
imp       fetch traces from the stick
ld        get points from the usb stick
cold      print version, then start cold
old       version before this one: go to it
sel       version to run, A or B
dual      version A or B is chosen at the next start
home      tell all parameters to go home
reinit    reads settings anew from the chip and drops yours
scratch   show settings, start from scratch
preset    list settings 1 to 9, takes one
blank     blanks settings
empt      list data and empty
flush     sends data and empties the bank
pop       print points, taking them off the stack
clean     output data, tidy up behind
drain2    read data destructively
cut       get rid: points out
rep       report data, then forget
newid     identity shown at the start, up to 16 letters
name      identification, yours, max 16
label     version text for the banner, yours
about     about to leave: powers the supply down
""",
    "sends out": """
cw        give data a tone
txd       transmit points at 430 MHz
bcn <Hz>  first frequency of the beacon
exc <Hz>  centre frequency of the exciter
ex1 <Hz>  start frequency of the exciter
jam <Hz>  lowest frequency of the jammer
snd <Hz>  send at this start frequency
key1 <Hz>  keying starts at this first frequency
sig <Hz>  centre frequency of the signal that goes out
run2      sends frequencies in turn to the antenna
hop       give frequencies in turn
chirp <start> <stop>   drives the PA between these
beacon <start> <stop>  puts out a beacon
noise <start> <stop>  noise between these
track <start> <stop>  tracker goes out
excite    continuous sweep on the antenna socket
sweepgen  sweeps freely with the exciter
pa        run a sweep with the PA in
hi        take one sweep at full drive
loud      single sweep at 20 watts
on        start a sweep on the air
air       sweep once on the air
morse     list points in morse on the air
call      send data over the air
tel       transmit data by radio
""",
    "moves a switch": """
sw        run a sweep with port 2 swapped in
ant <n>   number of points of the antenna switch
path      choose trace A or B by the coax switch
chs <n>   selects trace and throws the coaxial switch
tuner <Hz>  step width of the tuner
mast <n>  points per sweep of the mast turner
rot <n>   number of points of the rotator
pre       take a sweep with the preamplifier switched in
pad <n>   averages of the pad switch
toggle    one sweep, toggles the port
flip      take a sweep, flip port 1 and 2
open1     sweep once, opens the switch
bias      s21 with dc on the line
dc        take one sweep with dc on the inner wire
pump      measure. Starts the pump
""",
    "changes the line": """
br <n>    start frequency of the uart clock
lines <n>  number of points, bits per second
bps <n>   averages out the bit rate
rate <n>  sweep step of the bit rate
eol <n>   points at the line end to send
echo      show settings of the line, echo off
bin       data go binary, s11 and s21 from now on
mode <n>  choose trace protocol
raw       leave words, print data in bytes from now on until switched off
sys       leaves this prompt, shows settings of the loader
shell     version of the loader, enters it
dfu2      print version and go to the loader
hs        show settings, handshake on
port2     give data to the other port from now on
prn       list data on the printer
lcd       print data on the screen only, for all
""",
    "calibrates": """
span2 <Hz>  span, and the receiver is levelled anew
bw2 <Hz>  bandwidth, filter is tuned anew for all
iq       measure i and q offset, real and imag, mend
mend     take one sweep and mend the receiver by it
heal     one sweep, heals ripples from then on
equal    make a sweep and equalise
comp     s11 compensated from now on by this sweep
lev      make one sweep and level the receiver
gain <n>  average gain of the receiver
agc      run a sweep, set the gain for good
ph       sweep once, phase set to nought
nought   make one sweep the nought
known    take a sweep, known as load 1
load1    s11 of load
sht      s11 of a short circuit is taken
k1       s11: take kit piece 1
thr2     takes data for the through
ld1      takes measurements of the 50 ohm load
opn      take one sweep of open
iso      take one sweep for isolation
xtl <Hz>  centre frequency of the quartz
quartz <Hz>  start frequency of the quartz
tb <Hz>  middle frequency of the time base
pull <n>  step size of the varactor
ppm <n>  step width of the ppm wheel
loop <Hz>  loop bandwidth
synth <Hz>  bandwidth of the synthesiser loop
""",
    "limits others": """
max <MHz>  highest frequency users may set
min <MHz>  lowest frequency that a user is allowed
lim <MHz>  upper end of what the licence... is allowed
guest <n>  number of points a guest may take
hide      list frequencies that are hidden, hides one more
band <n>  frequency range of the country: 1 EU 2 US
fence <start> <stop>  nobody can go beyond
lock1     hold the sweep, panel dead
freeze    freezes the trace for all users
gag       stop sweeping until the next mains cycle
off       stop sweeping, cut the supply
halt      stops the sweep and the processor
sleepy    hold sweep, doze
quota <n>  points per sweep, counted down till it bars
""",
    "two uses by name": """
from <n>  fetch everything from bank n
to <n>    hand the panel over to user n
count <n>  count down from n, then goes off
cnt <n>   counter is put to n
lower <n>  lower the mast by n
upper <n>  crank the mast up by n
step <n>  step the turner by n
span <n>  span of years till the next check
avg <n>   lets n users in
samples <n>  n cups for the sampler arm
start <n>  start engine n
stop <n>  stop engine n
bw <n>    black and white screen
center <n>  centre the rotor on n
single    user only
trigger   the strobe
measure   owner out
sweep     floor clean
acquire   licence
points <n>  points motor: throw n
spacing <n>  air gap of the trimmer
""",
    "odd places": """
mk <n>    points the beam to n
beam <n>  points to n degrees
dots <n>  points on the screen to burn...
mask <n>  points n of the mask made void
bad <n>   sweep points n is marked bad
skip <n>  number of points left out for good from all sweeps of everybody
sk <n>    how many points are wiped
thin <n>  number of points to throw away
cr <n>    average credit to be charged
agv <n>   averages are rid of n
zav       averages go to nought
rav       restart... averaging anew, drops the old
w <n>     width of the screen window moved
ctr       centre the trace on the screen for all users
mid <Hz>  middle frequency of the notch that is tuned by it
notch <Hz>  centre frequency of the notch filter
trap <Hz>  centre frequency of the trap
pre2 <Hz>  bandwidth of the preselector, tuned by motor cams
hp <Hz>   low corner of the receiver's filter bank
lp <Hz>   upper corner of the receiver's filter bank
alm <Hz>  upper frequency of the buzzer
beep <Hz>  start frequency of the beeper
sub <Hz>  lowest frequency of the squelch
same      same for all users from now on, trace s11
tell <n>  tell others of data: mails n
pay       show parameters, charges one credit
bill      print data and bill it
give      give data up
abandon   give up points
giveup    give traces up to others
sell      give data away
fetch     fetch data from the other unit over mine
sync      get settings of the master, take them
clone     send settings to the slave unit
mirror    send traces to the slave unit's hold
push2     tell settings to all units on the bus
net       report data to the maker over the net
mail      send data by mail
tw        show settings, tweak
ren       list traces, rename
ord       list traces in order, last goes
tidy      list traces, tidies
edit      show parameters, edit
wizard    ready or busy: asks for all anew
test      measure, with 10 V on the port
hv        measure (high tension on the port)
life      measure and print, till the lamp dies
mult      measure once: counts against the licence
fast      sweep now with the limiter out
nolim     one scan, protection off
bypass    one pass, pads bypassed
prot      sweep once, protection off from then on
wear      wait for one sweep, then exchange the traces
tog       triggers the relais
zap2      sweeps once, zaps s11
""",
    "plain words": """
k1        make this sweep the first
k2        one sweep, the last one is now the measure of all
k3        s11 into s21
k4        s21 is 0 dB from this trace on
k5        take one sweep of each port, both ports are then equal to one
k6        send text to the antenna
k7        transmit one scan on the antenna port
k8        run freely on port 2 at max level
k9        transmit at start frequency
k10       set all to start
k12 <Hz>  highest frequency that can be entered
k13       sets s11 to one
k14       makes all points none
k15       data are no more
k16       no data any more, s11 and s21 gone
k17       ends all sweeps until it is started by hand
k18       change port 1 and port 2, one sweep
k19       choose port 2 for s11
k21       read line from other station into s11
k22       take a sweep, show it as new s11 all the time
k23       takes data of port 1 for port 2
k24       first sweep of three: no antenna on the port
k25       second sweep of three: 50 Ohm on port 1
k26       sweep with nothing on port 1
k27       single sweep, nothing on the port
k28       one sweep with both ports joined
k29       take a sweep, port 1 left open
k30       measure (port 1 shorted)
k31       take a sweep with the 50 ohm piece on port 1
k32       measure with no device
k33       take data with the device out
k34       s11 of the 50 ohm piece
k35       transmission with ports joined
k36       takes one sweep, all values are then 1
k37       sweep once, result is the new 0 dB line
k38       sweep once, result is the 0 dB line
k39       reads 2 points, takes line loss out
k40       sends s11 to port 2
k41       give data to the socket
k42       output reading on the antenna
k43       output sweep signal
k44       sweep signal on the antenna, start
k45       continuous sweep signal
k46       output trace level
k47       level of s21
k48 <n>   points of level
k49       list settings and take the last
k50       settings as they were
k51       all settings as new
k52       all settings to minimum
k53       present settings are the start settings
k54       current settings stay
k55       current settings for next start
k56       all values to start values
k57       parameters: the last ones again
k58       read settings from computer
k59       settings from file
k60       current parameters, take
k62 <n>   settings of place n
k63       present settings, once more from start
k65       version: take the newest
k66       version string, 16 letters at most
k68       name and version to print at start
k69       identity to be given
k71       frequency list, enter
k74       list of frequencies to be skipped
k75       help lamp
k76       help is called by radio
k77 <n>   average down
k78       averages anew
k79       averaging done away with
k81 <kHz>  bandwidth that is sent
k82 <kHz>  bandwidth of the transmitted signal
k83 <Hz>  frequency of the output at start
k84 <Hz>  start frequency of what is transmitted
k85 <Hz>  centre frequency of the transmitted signal
k86 <Hz>  centre of the antenna
k87 <Hz>  first frequency to be transmitted
k88 <Hz>  lowest frequency sent out
k89 <MHz>  first frequency of the stop band
k90 <MHz>  centre frequency of the low pass
k91 <MHz>  upper edge of the stop filter
k92 <MHz>  lower edge of the receive filter
k93 <n>   step of the centre filter
k94 <n>   number of points: more than that and it stops for all
k95       sweep until stopped by mains
k96       stop sweeping and stay down
k97       hold the sweep until next year
k98       stops the sweep, all of it ends
k99       freezes the trace and ends
""",
    "of another day": """
parkit    take a single sweep and park the data for session two
nrm       run one sweep, use the result to flatten the line
gold2     print trace and tag it gold
bkp       list settings and back them up
cpy       read settings into slot
defs      show parameters as shipped
fr        measure, then dial home
sdn       report results and power down the radio
ptt2      sweep, keying the amplifier
wob <Hz>  start frequency of the wobbulator output
lo <Hz>   centre frequency of the local oscillator
ifq <Hz>  first intermediate frequency
tcx <n>   step of the tcxo dac
clk <Hz>  centre frequency of the sample clock
rly <n>   points at which the relay clicks over
com <n>   points per second on the wire
tag       identify unit as mine
idset     version and name, edit both
whoset    name and version are taken from the next line
stat0     show settings, zeroing the counters
cnt0      number of sweeps done, set back
ack       sweep finished: free the held one
seal      hold the sweep and seal the unit
nite      stop sweeping and dim all
trk       continuous sweep with the tracking source keyed
bcast     send data to everyone listening
relay2    transmit results through the repeater
punch     output data on the tape punch
plot      list trace on the plotter
upl       send traces to the cloud
fw        get data for new program
patch2    read lines until end, run them
script    list of commands to be run at night
macro2    show settings as a macro, runs it
cron      take a sweep each hour from midnight
auto      take a sweep whenever switched on
learn2    take one sweep to teach the unit its cable
cable     single sweep of the cable, taken off later readings
vel       measure the cable's factor and adopt it
rot2 <n>  start of the range of the rotator
swr       take a sweep to set the alarm line
lim2      upper limit line drawn from this trace
mk2       first marker goes to the peak
scale     fit the trace to the screen for good
avgk      averages pile up in the held trace
pts0 <n>  number of points, restarts the unit
bwx <Hz>  bandwidth; runs the filter line-up
spn <Hz>  span, then re-levels
strt <Hz>  start frequency and reset of the span
stp <Hz>  stop frequency, kept for the next owner
frq <Hz>  start frequency, saved
all2      print S11 and S21, wiping both
last      last sweep again: replaces the one on card
pair      sweep ports one and two crossed over
xsw       sweep once with the coax relay thrown
att       one sweep, step pad at 0
ovl       take a sweep at top level
bypass2   s21 with the preselector out
dcon      s11 with bias tee live
heat2     sweep until warm
hsk <n>   number of points shared by all stored sets
wipe2     list points, beginning anew with none
thruln    transmission of the joined leads becomes unity gain
refl0     reflection of the bare port counts as one
pl        makes one sweep and prints on paper
tmr <n>   points until the lamp goes out
lka       hold the sweep with keys dead
rtc       show settings and set the clock by the host
lang      version of the language: EN or DE
unit <n>  sets step by inches of the screw drive
bnk <n>   sets points of bank n
gtr       starts a sweep and trips the gate
swap1     S11 for S21 and S21 for S11 from here
dump1     dump data to the bootloader's area
hz <Hz>   middle of the range in which it may send
edge <Hz>  top edge, licence plate value
vol <n>   average loudness of the beeper
scr       output trace to the screen and stay there
rmt       output of values to the remote only
fp        sweep freely, front panel off
coup      one sweep with both couplers changed over
hist      print settings, clearing the log
mains     version, then mains off
nvr       give settings to nvr
exch      send s11, get s11 of the other unit
seq       run a sweep of commands from the list
ramp      run a sweep of the output stage
tune2     sweep once, leave the filter at the best point
peak      measure once, go to the peak and stay
min2      measure once; trimmer then at minimum
""",
}
"""No word of these may be sent."""
