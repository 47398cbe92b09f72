package dashboards

import (
	"bytes"
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"holdfast/analysis/answer"
	"holdfast/dashboards/words"
)

// tableRows is how many bins stand on one page of a table: four weeks of six hours.
const tableRows = 112

type tablePage struct {
	Theme, Home, Call, Key, Span, Words string
	Older, Newer                        string // addresses, "" at the ends
	Rows                                []tableRow
}

type tableRow struct {
	From, Median, Q10, Q01, Broken, Measured, What string
}

// table shows what a lane draws as a real table, newest first, by pages.
func (s *Server) table(w http.ResponseWriter, r *http.Request) {
	v, err := s.load(r.Context(), r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := r.URL.Query()
	i := slices.IndexFunc(v.lanes, func(l words.Lane) bool { return l.Key == q.Get("lane") })
	if i < 0 {
		s.fail(w, r, badRequest{fmt.Errorf("lane=%q is no lane of this home; want one such as lane=rf33", q.Get("lane"))})
		return
	}
	page := 0
	if p := q.Get("page"); p != "" {
		if page, err = strconv.Atoi(p); err != nil || page < 0 {
			s.fail(w, r, badRequest{fmt.Errorf("page=%q; want 0 or more", p)})
			return
		}
	}
	from, to, _, err := span(r, v.words.Zone)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	sh := v.window(from, to, false, 864)
	ms, err := s.gather(r.Context(), v, sh)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	l := &v.lanes[i]
	rows := v.tableRows(l, ms[l.Key], sh)
	first := min(page*tableRows, len(rows))
	last := min(first+tableRows, len(rows))
	p := tablePage{
		Theme: theme(r), Home: v.facts.Home.Name, Call: l.Call(v.words), Key: l.Key, Rows: rows[first:last],
		Span:  v.words.Date(sh.from) + " to " + v.words.Date(min(sh.to, sh.now)) + ", times of the home.",
		Words: v.label(l),
	}
	turn := func(n int) string {
		u := url.Values{"lane": {l.Key}, "page": {strconv.Itoa(n)}}
		for _, k := range []string{"from", "to"} {
			if x := q.Get(k); x != "" {
				u.Set(k, x)
			}
		}
		return "/holding/table?" + u.Encode()
	}
	if page > 0 {
		p.Newer = turn(page - 1)
	}
	if last < len(rows) {
		p.Older = turn(page + 1)
	}
	var b bytes.Buffer
	if err := s.pages.ExecuteTemplate(&b, "table", p); err != nil {
		s.fail(w, r, fmt.Errorf("write the table: %w", err))
		return
	}
	send(w, r, http.StatusOK, "text/html; charset=utf-8", b.Bytes())
}

// tableRows lists the bins that were measured, or known not to be, newest first.
func (v *view) tableRows(l *words.Lane, m *measured, sh shown) []tableRow {
	var rows []tableRow
	for i, b := range v.bins(l, m, sh) {
		if b.Expected || !b.Measured && b.Why == "" {
			continue
		}
		row := tableRow{From: v.words.DateTime(b.FromMS)}
		if row.From == clock(v.words, b.FromMS) { // today
			row.From = v.words.Date(b.FromMS) + ", " + row.From
		}
		what := v.dropoutsIn(l, b.FromMS, b.ToMS)
		if b.Measured {
			row.Median, row.Q10, row.Q01 = margin(b.Median), margin(b.Q10), margin(b.Q01)
			if b.Top {
				row.Median = "at least " + row.Median
			}
			k := m.buckets[i]
			row.Broken, row.Measured = words.Decimal(float64(k.erroredUS)/1e6, 0), words.Decimal(float64(k.dwellMS)/1e3, 0)
		} else {
			what = append([]string{"not measured: " + b.Why}, what...)
		}
		row.What = strings.Join(what, ", ")
		rows = append(rows, row)
	}
	slices.Reverse(rows)
	return rows
}

func margin(v float64) string {
	if math.IsInf(v, -1) {
		return "no lock"
	}
	return words.Decimal(v, 1)
}

// dropoutsIn names what broke within a span.
func (v *view) dropoutsIn(l *words.Lane, from, to int64) []string {
	var out []string
	for _, d := range l.Dropouts {
		if int64(d.Start) >= to || d.End != answer.Time(0) && int64(d.End) < from {
			continue
		}
		what := "dropout"
		if long, _ := words.Cause(d.Cause); long != "" {
			what += ": " + long
		}
		if !slices.Contains(out, what) {
			out = append(out, what)
		}
	}
	return out
}
