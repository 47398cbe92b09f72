# A newcomer's first hour with a tuner in the machine: setup finds it and three
# channels, check tries it, run measures; then what can go wrong with it.
fesim lock_ms=300 adapters=2
echo clear >$P/channels
channel 189000000 0x1f -52000 24000
channel 533000000 0x1f -61000 19500
channel 605000000 0x1f -66000 17250
cd /tmp && mkdir home && cd home
hf=/t/holdfast
quietly() { "$@" >/tmp/said 2>&1; }

quietly $hf setup --defaults --answer name=Lab --answer region=us --answer time_zone=UTC --answer position=43,-75 --answer lent=no || { cat /tmp/said; exit 1; }
cat /tmp/said
expect /tmp/said 'Tuner 1: adapter 0 frontend 0, .*: usable'
expect /tmp/said 'RF 9 .*C/N 24\.0 dB'
expect /tmp/said 'Three channels found'
expect holdfast.yaml 'rf: 24 '
expect holdfast.yaml 'kind: dvb # '
cp holdfast.yaml /out/

quietly $hf check || { cat /tmp/said; exit 1; }
cat /tmp/said
expect /tmp/said 'well   tuner dvb-0: .*RF.*9 is received, C/N 24\.0'
expect /tmp/said 'tuner dvb-1 visits each of three channels every 5.*min'

# another program has one, and the other is pulled out
labtool hold -adapter 1 -tune 533000000 -for 600s & held=$!
unplug 0
sleep 2
quietly $hf check && { echo "check found nothing wrong"; cat /tmp/said; exit 1; }
cat /tmp/said
expect /tmp/said 'FAULT  tuner dvb-0: .* is not there; name one that is'
expect /tmp/said 'note   tuner dvb-1: .*in use'
kill $held
plug 0
sleep 2

# no signal anywhere: the tuner works, and that is said
echo clear >$P/channels
quietly $hf check || { cat /tmp/said; exit 1; }
expect /tmp/said 'note   tuner dvb-0: .*works, and received nothing on RF'
rm holdfast.yaml
quietly $hf setup --defaults --answer region=us --answer time_zone=UTC --answer channels=9,24 || { cat /tmp/said; exit 1; }
expect /tmp/said 'No channel was found. Look indoors first'
expect holdfast.yaml 'rf: 24 '
