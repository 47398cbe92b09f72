# Two tuners, two channels, two days at a visit in ten minutes, in the winter of an
# invented home: fades, lost locks, errors, visits not made, extra visits.
function frac(x) { return x - int(x) }
function noise(a) { return frac(sin(a * 12.9898) * 43758.5453) }
BEGIN {
	print "time,tuner,channel,visit,dwell_s,locked,locked_s,level_dbm,cn_db,cn_low_db,cn_spread_db,errored_s,uncorrected_blocks,total_blocks,pre_errors,pre_bits,identity,mode,why,scale"
	for (i = 0; i < 288; i++) for (c = 0; c < 2; c++) {
		t = 1768003200 + i * 600 + c * 7 + int(20 * noise(i + c)) # 2026-01-10 00:00 UTC
		tuner = (i + c) % 5 == 4 ? "shed" : "loft"
		ch = c ? 30 : 26
		n = noise(i * 3.1 + c); if (n < 0) n = -n
		if (n < 0.02) { print t "," tuner "," ch ",base,5,,,,,,,,,,,,,,viewer," ; continue }
		cn = sprintf("%.1f", 18 - c * 1.5 + 3 * sin(i / 31) + n)
		level = sprintf("%.1f", -60 - c * 4 + 3 * sin(i / 31) + n)
		visit = n > 0.95 ? "extra" : "base"
		if (cn < 14.4) { print t "," tuner "," ch "," visit ",5,0,0," level ",,,,,,,,,,,,s1" ; continue }
		bad = cn < 15.6 ? int((15.6 - cn) * 60) : 0
		print t "," tuner "," ch "," visit ",5,1,5," level "," cn "," sprintf("%.1f", cn - 0.3) ",0.1," (bad ? 1 : 0) "," bad ",64470," int(n * 900) ",96470000,0x0" (801 + c) ",8vsb,,s1"
	}
}
