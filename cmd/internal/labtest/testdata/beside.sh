# The daemon beside others, from midnight on: five minutes alone, a report, a viewer from
# minute 7 to 12, a recording from 15 to 20, which the recorder begins at 16.
fesim lock_ms=300
channel 473000000 0x1f -50000 27125
channel 569000000 0x1f -60000 20500
minute() { now=$(date +%s); sleep $(($1 * 60 - now % 86400)); }
minute 1
./holdfast --config beside.yaml run > /out/log 2>&1 & daemon=$!
minute 6
./holdfast --config beside.yaml report-tuner > /out/report 2>&1; echo "status $?" >> /out/report
minute 7
until labtool hold -tune 473000000 -for 5m >> /out/viewer 2>&1; do sleep 1; done
minute 16
echo "recorder" >> /out/viewer
labtool hold -tune 569000000 -for 3m >> /out/viewer 2>&1 & recorder=$!
minute 17
kill -0 $recorder 2> /dev/null || echo "the recorder found the tuner taken" >> /out/viewer
minute 25
kill $daemon; wait $daemon; echo "status $?" >> /out/log
./holdfast --config beside.yaml export /out/csv >> /out/log 2>&1
