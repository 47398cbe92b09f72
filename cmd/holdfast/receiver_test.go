package main

import (
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"regexp"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"holdfast/alerting/notify/webhook"
)

// port finds a port on which nobody listens: port VARIABLE.
func port(ts *testscript.TestScript, neg bool, args []string) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ts.Check(err)
	_, p, err := net.SplitHostPort(l.Addr().String())
	ts.Check(err)
	ts.Check(l.Close())
	ts.Setenv(args[0], p)
}

// losing writes six hours of readings of a channel that has been lost for the last three:
// losing FILE.
func losing(ts *testscript.TestScript, neg bool, args []string) {
	var b strings.Builder
	b.WriteString("time,tuner,channel,dwell_s,locked,cn_db\n")
	now := time.Now().UTC().Truncate(time.Second)
	for at := now.Add(-6 * time.Hour); at.Before(now); at = at.Add(5 * time.Minute) {
		row := "1,24.5"
		if at.After(now.Add(-3 * time.Hour)) {
			row = "0,"
		}
		fmt.Fprintf(&b, "%s,attic,30,5,%s\n", at.Format(time.RFC3339), row)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(b.String()), 0o600))
}

// receiver listens on a port until the script ends and writes the first message to a
// file: receiver PORT FILE.
func receiver(ts *testscript.TestScript, neg bool, args []string) {
	l, err := net.Listen("tcp", "127.0.0.1:"+args[0])
	ts.Check(err)
	file := ts.MkAbs(args[1])
	srv := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil || r.Header.Get(webhook.SignatureHeader) != webhook.Sign("sixteen letters or more", r.Header.Get(webhook.TimestampHeader), body) {
			http.Error(w, "no", http.StatusUnauthorized)
			return
		}
		if _, err := os.Stat(file); err != nil {
			part := file + ".part"
			if os.WriteFile(part, body, 0o600) == nil {
				_ = os.Rename(part, file)
			}
		}
		w.WriteHeader(http.StatusNoContent)
	})}
	done := make(chan struct{})
	go func() {
		_ = srv.Serve(l)
		close(done)
	}()
	ts.Defer(func() {
		_ = srv.Close()
		<-done
	})
}

// eventually runs a command until its output matches: eventually REGEXP COMMAND ARGS.
func eventually(ts *testscript.TestScript, neg bool, args []string) {
	want, err := regexp.Compile(args[0])
	ts.Check(err)
	for end := time.Now().Add(30 * time.Second); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if ts.Exec(args[1], args[2:]...) == nil && want.MatchString(ts.ReadFile("stdout")) {
			return
		}
	}
	ts.Fatalf("no output matched %s; the last was\n%s", want, ts.ReadFile("stdout"))
}

// serve answers requests with the files of a folder until the script ends:
// serve PORT FOLDER.
func serve(ts *testscript.TestScript, neg bool, args []string) {
	l, err := net.Listen("tcp", "127.0.0.1:"+args[0])
	ts.Check(err)
	srv := &http.Server{Handler: http.FileServer(http.Dir(ts.MkAbs(args[1])))}
	done := make(chan struct{})
	go func() {
		_ = srv.Serve(l)
		close(done)
	}()
	ts.Defer(func() {
		_ = srv.Close()
		<-done
	})
}

// report writes the last report that an airport made in the 51st minute of an hour, so
// many minutes ago or before: report FILE MINUTES.
func report(ts *testscript.TestScript, neg bool, args []string) {
	age, err := time.ParseDuration(args[1] + "m")
	ts.Check(err)
	at := time.Now().UTC().Add(-age).Add(-51 * time.Minute).Truncate(time.Hour).Add(51 * time.Minute)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte("METAR XQLA "+at.Format("021504")+"Z 24008KT 10SM FEW050 05/01 A3012\n"), 0o600))
}

// hot writes two days of weather up to now in a unit that its names do not say:
// hot FILE.
func hot(ts *testscript.TestScript, neg bool, args []string) {
	b := []byte("time,temp_c\n")
	now := time.Now().UTC().Truncate(time.Hour)
	for h := 48; h >= 0; h-- {
		b = fmt.Appendf(b, "%s,%d\n", now.Add(-time.Duration(h)*time.Hour).Format(time.RFC3339), 62+h%9)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o600))
}

// echo writes words, in which variables are filled in, to a file: echo FILE WORDS.
func echo(ts *testscript.TestScript, neg bool, args []string) {
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(strings.Join(args[1:], " ")+"\n"), 0o600))
}

// fetch gets a page into a file: fetch ADDRESS FILE.
func fetch(ts *testscript.TestScript, neg bool, args []string) {
	res, err := http.Get(args[0])
	ts.Check(err)
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	ts.Check(err)
	if res.StatusCode != http.StatusOK {
		ts.Fatalf("%s: %s", args[0], res.Status)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b, 0o600))
}
