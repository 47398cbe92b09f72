# Beside the daemon: from 01:10 to 02:25 another transmitter is received on the channel.
stream=/sys/module/dvb_vidtv_bridge/parameters/ts_id
sleep 4200
echo 0x0421 > $stream
sleep 4500
echo 0x4081 > $stream
