# Beside the daemon, from midnight on: the tuner is pulled out from 09:00 to 10:00, and
# somebody watches television from 12:00 to 13:00.
sleep 32400
unplug 0
sleep 3600
plug 0
sleep 7200
until labtool hold -tune 473000000 -for 3600s; do sleep 1; done
