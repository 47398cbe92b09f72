package reception

// A Dropout is one event of lost or broken picture: a run of bad visits, with its
// ends as intervals between visits. Instants are Unix ms; EndMS and its bounds are
// 0 while it lasts.
type Dropout struct {
	Series
	Installation  string
	StartMS       int64 // first bad visit
	StartLowMS    int64 // end of the last good visit before it; StartMS if unknown
	EndMS         int64 // end of the last bad visit
	EndHighMS     int64 // start of the next good visit
	Visits        int64
	BaseVisits    int64 // 0: listed, not counted
	BaseDwellMS   int64
	BaseErroredUS int64
	Unlocked      int64
	WrongIdentity int64
}

// Counted reports whether a base visit saw it.
func (d Dropout) Counted() bool { return d.BaseVisits > 0 }
