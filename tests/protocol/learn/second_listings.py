"""Listings of invented consoles in which what a word does stands elsewhere: on the next line, above, below, in a note.

Owns: the texts. Refuses: to judge them (`test_second_deeds`).
"""

# ruff: noqa: E501 - a console prints them so
from __future__ import annotations

LISTINGS = """% wrapped, flush: snap
{BASE}
snap      take one sweep and
make it the baseline of all
% wrapped, flush: snap
{BASE}
snap      take one sweep,
then hold it as baseline
% wrapped, flush: snap
{BASE}
snap      take one sweep
and archive it in bank 1
% wrapped, flush: dl
{BASE}
dl        print data
which are then emptied
% wrapped, flush: x
{BASE}
x <Hz>    centre frequency
of the exciter
% wrapped, deep: snap
{BASE}
snap      take one sweep
          kept as baseline
% wrapped, deep: snap
{BASE}
snap      take one sweep
            baseline from then on
% wrapped, deep: x
{BASE}
x <Hz>    centre frequency
          of the exciter
% wrapped, one blank deep: snap
{BASE}
snap      take one sweep
 into bank 1
% wrapped, one blank deep: x
{BASE}
x <Hz>    centre frequency
 of the exciter
% wrapped, hyphens: snap
{BASE}
snap      take one sweep -
baseline then
% heading: k1 ; k2
Sweep:
  f0 <Hz>   start frequency
  f9 <Hz>   stop frequency
  npt <n>   number of points
  go        take one sweep
  out       print S11 and S21
Calibration:
  k1        take one sweep
  k2        take one sweep
% heading: k1 ; k2
Sweep
  f0 <Hz>   start frequency
  f9 <Hz>   stop frequency
  npt <n>   number of points
  go        take one sweep
  out       print S11 and S21
Calibrate
  k1        take one sweep
  k2        take one sweep
% heading: k1 ; k2
[SWEEP]
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
[CALIBRATION]
k1        take one sweep
k2        take one sweep
% heading: k1 ; k2
--- sweep ---
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
--- calibration ---
k1        take one sweep
k2        take one sweep
% heading: b0 ; b9
== sweep ==
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
== beacon ==
b0 <Hz>   start frequency
b9 <Hz>   stop frequency
call      start
% heading: b0 ; b9
Sweep:
  f0 <Hz>   start frequency
  f9 <Hz>   stop frequency
  npt <n>   number of points
  go        take one sweep
  out       print S11 and S21
Beacon:
  b0 <Hz>   start frequency
  b9 <Hz>   stop frequency
  call      start
% heading: b0 ; b9
Sweep:
  f0 <Hz>   start frequency
  f9 <Hz>   stop frequency
  npt <n>   number of points
  go        take one sweep
  out       print S11 and S21
Transmitter:
  b0 <Hz>   first frequency
  b9 <Hz>   last frequency
  call      start
% heading: b0 ; b9 ; call
Sweep:
  f0 <Hz>   start frequency
  f9 <Hz>   stop frequency
  npt <n>   number of points
  go        take one sweep
  out       print S11 and S21
To be typed once in the life of the unit:
  b0 <Hz>   lowest frequency
  b9 <Hz>   highest frequency
  call      print data
% heading: k1 ; k2
SWEEP
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
SERVICE
k1        take one sweep
k2 <n>    number of points
% heading: k1 ; k2
Sweep
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
End of line test
k1        take one sweep
k2 <n>    number of points
% heading: k1 ; k2
Sweep
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
These change the unit for good:
k1        take one sweep
k2 <n>    number of points
% heading: k1 ; k2
Sweep
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
npt <n>   number of points
go        take one sweep
out       print S11 and S21
Careful with these
k1        take one sweep
k2 <n>    number of points
% footnote: k1 ; k2
{BASE}
k1        take one sweep *
k2        print data *
* is kept over power off
% footnote: k1* ; k2*
{BASE}
k1*       take one sweep
k2*       print data
* changes the unit for good
% footnote: k1
{BASE}
k1        take one sweep (1)
(1) becomes the baseline
% footnote: k1
{BASE}
k1        take one sweep
k1 is stored for the next user
% footnote: !k1 ; !k2 ; k1 ; k2
{BASE}
!k1       take one sweep
!k2       print data
words with ! are for the workshop
% mark in a column: k1 ; k2
word   keeps  what
f0 <Hz>   no   start frequency
f9 <Hz>   no   stop frequency
npt <n>   no   number of points
go        no   take one sweep
out       no   print S11 and S21
k1        yes  take one sweep
k2        yes  print data
% description above: wip
start frequency
    f0 <Hz>
stop frequency
    f9 <Hz>
take one sweep
    go
erase the held sweep
    wip
print S11 and S21
    out
% description below: wip ; zup
f0 <Hz>
    start frequency
f9 <Hz>
    stop frequency
go
    take one sweep
wip
    empties bank 1
out
    print S11 and S21
zup
    swaps ports
% description below: wip ; zup
f0 <Hz>
   start frequency
zup
   swaps ports
f9 <Hz>
   stop frequency
wip
   empties bank 1
go
   take one sweep
out
   print S11 and S21
% words behind: wip
start frequency ... f0 <Hz>
stop frequency ... f9 <Hz>
number of points ... npt <n>
take one sweep ... go
empties all banks ... wip
print S11 and S21 ... out
% two columns: wip ; zup
f0 <Hz>  start frequency     f9 <Hz>  stop frequency
npt <n>  number of points    go       take one sweep
out      print S11 and S21   wip      empties banks
zup      swaps ports         ver      version
% two columns: wip ; zup ; pow
f0    start frequency     wip   empties banks
f9    stop frequency      zup   swaps ports
go    take one sweep      pow   full drive
out   print S11           s21   print S21
% usage default: level ; span
{BASE}
level [dB]   default 0 dB: sweep level
span [Hz]    span, and reference
% usage default: list ; list2
{BASE}
list [file]  list data to file
list2 [n]    list of frequencies to transmit
% choices: source ; trace ; data
{BASE}
source on|off   sweep source
trace hold|live   choose trace
data keep|send   data
% choices: port
{BASE}
port 1|2   s11 or s21 by the switch
sweep rf|if   sweep of rf or if
% json: {"cmd":"snap"}
{"cmds": {"start": "Hz", "stop": "Hz", "points": "n", "sweep": "take one sweep", "snap": "one sweep as baseline"}}
% calls: snap() ; mast ; mast()
start(hz)   start frequency
stop(hz)   stop frequency
points(n)   number of points
sweep()   take one sweep
snap()   take one sweep as baseline
data()   print S11 and S21
mast(n)   points of the mast
% stack: wide ; snap
low ( kHz -- ) lower edge
high ( kHz -- ) upper edge
wide ( kHz -- ) lower edge of the exciter
go ( -- ) take one sweep
snap ( -- ) one sweep as baseline
% nodes: put /beacon/start ; put /mast/points
get NODE reads, put NODE VALUE sets
/sweep/start  Hz
/sweep/stop  Hz
/sweep/points  n
/beacon/start  Hz
/mast/points  n
/out/s11  re im
% bracketed: (snap)
(low HZ) (high HZ) (points N)
(sweep) ; takes one sweep
(snap) ; takes one sweep as baseline
(out) ; gives S11 and S21
% spoken: snap
Say 'low 5' or 'from 10 to 50 with 21 points'. 'go' makes one sweep.
'snap' makes one sweep the baseline. 'tell' prints S11 and S21.
% spoken: again
Say 'low 5' or 'from 10 to 50 with 21 points'. 'go' makes one sweep.
'again' makes one sweep, too. That one is then kept.
'tell' prints S11 and S21.
% prose: snap ; mast
I know: f0 <Hz> - start frequency; f9 <Hz> - stop frequency; npt <n> - number of points; go - take one sweep; snap - take one sweep, baseline; out - print S11 and S21; mast <n> - points of the mast
% prose: wip
I know: start frequency: f0 <Hz>; stop frequency: f9 <Hz>; number of points: npt <n>; take one sweep: go; empties banks: wip; print S11 and S21: out
% verbs: do snap ; set snap
set NAME VALUE, get NAME, do ACTION
start   start frequency
stop    stop frequency
points  number of points
actions:
sweep   take one sweep
snap    take one sweep as baseline
% verbs: set tone ; do wipe ; do snap ; set gate
set NAME VALUE, get NAME, do ACTION
names: start stop points tone gate
actions: sweep snap wipe
% cells: w 3 ; w 4
r CELL reads, w CELL VALUE writes, t triggers
0 start, kHz
1 stop, kHz
2 points
3 start of the exciter, kHz
4 points of the mast
% menu: 6 ; 7
choose a number
1 start, MHz
2 stop, MHz
3 points
4 sweep once
5 print S11 and S21
6 sweep once as baseline
7 points of the mast
% menu: 6 ; 7 ; 8
choose a number
1 start, MHz
2 stop, MHz
3 points
4 sweep once
5 print S11 and S21
6 sweep menu
7 data menu
8 settings menu
% menu: 4 ; 6
choose a number
1 start, MHz
2 stop, MHz
3 points
4 sweep >
5 print S11 and S21
6 settings ...
% fields: 4 ; 5
3=100 sets field 3
1 start, kHz
2 stop, kHz
3 points
4 start of exciter, kHz
5 sweep points of mast
% capitals: SN ; EX
F0 START FREQUENCY HZ
F9 STOP FREQUENCY HZ
NP NUMBER OF POINTS
GO TAKE ONE SWEEP
SN TAKE ONE SWEEP AS BASELINE
OUT PRINT S11 AND S21
EX FIRST FREQUENCY OF EXCITER HZ
% equals: ex
f0=<Hz> start frequency
f9=<Hz> stop frequency
npt=<n> number of points
ex=<Hz> start frequency of exciter
go take one sweep
out print S11 and S21
% range words: hop ; hop2 ; jog
{BASE}
hop <start> <stop>   hops between
hop2 <from> <to>   hops
jog <f1> <f2>    jogs the mast
% range words: notch ; mask
{BASE}
notch <start> <stop> <points>  out of all later sweeps
mask <start> <stop>  sweep is blanked between
% read args: read ; get ; list
{BASE}
read <n>    read points n into bank
get <n>     data of slot
list <n>    plays list n to the antenna
% memory is used: CATCH
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
CATCH     takes a sweep into memory
TYPE      print memory
MATH on|off   data less what is in memory
% memory is used: CATCH
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
CATCH     takes a sweep into the buffer
TYPE      print the buffer
VIEW      data and buffer on the screen, divided
% memory is used: CATCH
f0 <Hz>   start frequency
f9 <Hz>   stop frequency
CATCH     takes a sweep into memory
TYPE      print memory
DIFF      difference to memory
"""
"""Each behind its kind and the words of it that may not be sent; {BASE} stands for the usual rows."""
