# Shell functions for everything that runs in the virtual machine (busybox sh).
P=/sys/module/fesim/parameters
mod() { f=$1; shift; [ ! -f "/m/$f.ko" ] || insmod "/m/$f.ko" "$@"; }
core() { mod mc; mod dvb-core; }
vidtv() { core; mod dvb-vidtv-tuner; mod dvb-vidtv-demod; mod dvb-vidtv-bridge "$@"; } # once per boot
fesim() { core; mod fesim "$@"; }
driver() { d=$1; shift; case $d in fesim) fesim "$@";; vidtv) vidtv "$@";; none) core;; *) echo "no driver $d"; return 2;; esac; }
knob() { [ -e "$P/$1" ] && echo "$2" > "$P/$1"; }             # knob NAME VALUE
knobs() { set -- $1; while [ $# -gt 1 ]; do knob "$1" "$2"; shift 2; done; }  # knobs "NAME VALUE NAME VALUE"
unplug() { echo "${1:-0}" > "$P/unplug"; }                   # unplug [N]
plug() { echo "${1:-0}" > "$P/plug"; }                       # plug [N]
# channel FREQ_HZ STATUS STRENGTH_MDBM CNR_MDB POST_ERR POST_TOT BLK_ERR BLK_TOT, whole numbers per second
channel() { echo "$1 $2 $3 $4 ${5:-0}000 ${6:-19392658}000 ${7:-0}000 ${8:-12894}000" > "$P/channels"; }
scenario() { labtool feed "$@"; }                            # scenario [-speed N] [-loop] FILE
# like DRIVER: fesim looks and misbehaves as that kernel driver does; then plug it in again
like() {
  case $1 in
  au8522)    n="Auvitek AU8522 QAM/8VSB Frontend";         knobs "missing 255 str_from_snr 1 cnr_max_mdb 27000 cnr_step_mdb 500 ucb_bits 8";;
  lgdt3305)  n="LG Electronics LGDT3305 VSB/QAM Frontend"; knobs "missing 255 str_from_snr 1 ucb_bits 16 ber_const 0";;
  lgdt3306a) n="LG Electronics LGDT3306A VSB/QAM Frontend"; knobs "missing 253 str_from_snr 1 ucb_bits 8 cnr_unlocked_scale 1 cnr_unlocked_mdb -1";;
  lgdt330x)  n="LG Electronics LGDT3303 VSB/QAM Frontend"; knobs "missing 61 legacy 11 str_from_snr 1 snr_mul 256 snr_div 1000 ucb_since_read 1";;
  s5h1409)   n="Samsung S5H1409 QAM/8VSB Frontend";        knobs "missing 255 str_from_snr 1 cnr_max_mdb 30000 cnr_step_mdb 500 ucb_bits 16";;
  s5h1411)   n="Samsung S5H1411 QAM/8VSB Frontend";        knobs "missing 255 str_from_snr 1 cnr_max_mdb 30000 cnr_step_mdb 500 ucb_bits 16";;
  nxt200x)   n="Nextwave NXT200X VSB/QAM frontend";        knobs "missing 255 snr_mul 2 snr_div 1 cnr_max_mdb 30000 ucb_bits 8";;
  or51132)   n="Oren OR51132 VSB/QAM Frontend";            knobs "missing 255 str_from_snr 1 snr_mul 256 snr_div 1000 ber_const 0 ucb_const 0";;
  or51211)   n="Oren OR51211 VSB Frontend";                knobs "missing 255 str_from_snr 1 snr_mul 256 snr_div 1000 ber_const 4294967258 ucb_const 4294967258";;
  bcm3510)   n="Broadcom BCM3510 VSB/QAM frontend";        knobs "missing 255 snr_div 1";;
  mxl692)    n="MaxLinear MxL692 VSB tuner-demodulator";   knobs "missing 141 legacy 2 cnr_step_mdb 1000 cnr_div 1000 snr_div 1000";;
  drxj)      n="Micronas DRX39xxj family Frontend";        knobs "missing 0 str_scale 2 snr_div 10";;
  si2168)    n="Silicon Labs Si2168";                      knobs "missing 140 legacy 0 cnr_step_mdb 250 asleep_err 11";;
  rtl2832)   n="Realtek RTL2832 (DVB-T)";                  knobs "missing 204 str_scale 2 legacy 6 ber_since_read 1 cnt_per_read_ms 1000";;
  cxd2841er) n="Sony CXD2841ER DVB-T/T2/C demodulator";    knobs "missing 140 legacy 0 cnt_since_read 1";;
  zl10353)   n="Zarlink ZL10353 DVB-T";                    knobs "missing 255 cnr_step_mdb 125";;
  tda10048)  n="NXP TDA10048HN DVB-T";                     knobs "missing 255 ucb_bits 16";;
  dib8000)   n="DiBcom 8000 ISDB-T";                       knobs "missing 12";;
  mb86a20s)  n="Fujitsu mb86A20s";                         knobs "missing 12 str_scale 2 legacy 1 layers 4 layer_mdb 1000";;
  *) echo "like: no $1"; return 2;;
  esac
  echo "$n" > "$P/name"; unplug 0; plug 0
}
expect() { grep -q -E -- "$2" "$1" || { echo "expected in $1: $2"; cat "$1"; exit 1; }; }   # expect FILE PATTERN
out() { # bring back what lies in /out, over the second serial port
  grep -q lab.out /proc/cmdline && [ "$(ls -A /out)" ] || return 0
  tar -C /out -czf /tmp/out.tgz . && stty -F /dev/ttyS1 raw && cat /tmp/out.tgz > /dev/ttyS1 &&
    echo "VM-OUT $(stat -c %s /tmp/out.tgz) $(sha256sum < /tmp/out.tgz | cut -c1-64)"
}
