package logline

import (
	"log/slog"
	"strings"
	"testing"
	"time"

	"holdfast/alerting"
)

func TestLogLine(t *testing.T) {
	var b strings.Builder
	n := New("log", slog.New(slog.NewTextHandler(&b, nil)), time.UTC)
	if err := n.Notify(t.Context(), alerting.Event{Kind: alerting.Raised, Alarm: alerting.Alarm{ID: "x", Severity: alerting.Major, Text: "no picture"}}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"level=ERROR", "no picture", "for=today"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("log line %q lacks %q", b.String(), want)
		}
	}
}
