package fetch

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

func TestAddress(t *testing.T) {
	var handler http.HandlerFunc
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { handler(w, r) }))
	defer srv.Close()
	other := httptest.NewServer(http.NotFoundHandler())
	defer other.Close()
	host := strings.TrimPrefix(srv.URL, "http://")
	x, err := New(Options{Source: "airport", URL: srv.URL + "/a?key=hidden-key", Accept: "application/geo+json"})
	if err != nil {
		t.Fatal(err)
	}
	if x.String() != "airport from "+host {
		t.Errorf("String() = %q", x)
	}
	for _, c := range []struct {
		name, want string
		h          http.HandlerFunc
	}{
		{"a reason", "answer is 400 Bad Request (No such value: ...); check weather url in the config", func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(http.StatusBadRequest)
			fmt.Fprintf(w, `{"error":true,"reason":"No such\n value: %s"}`, r.URL.Query().Get("key"))
		}},
		{"a problem document", "answer is 403 Forbidden (no name given)", func(w http.ResponseWriter, r *http.Request) {
			w.WriteHeader(http.StatusForbidden)
			fmt.Fprint(w, `{"title":"Forbidden","detail":"no name given"}`)
		}},
		{"a page", "answer is 500 Internal Server Error; check", func(w http.ResponseWriter, r *http.Request) { http.Error(w, "<html>", 500) }},
		{"elsewhere", "redirects to " + other.URL, func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, other.URL+"/hidden-key", http.StatusFound)
		}},
		{"round and round", "redirects in a circle", func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "/a?key=hidden-key", http.StatusFound)
		}},
		{"empty", "the answer is empty", func(w http.ResponseWriter, r *http.Request) {}},
		{"broken off", "unexpected EOF", func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Length", "99")
			fmt.Fprint(w, "METAR")
		}},
	} {
		handler = c.h
		_, _, err := x.Read(t.Context())
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), host) || strings.Contains(err.Error(), "hidden") || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q and the host alone", c.name, err, c.want)
		}
	}
	handler = func(w http.ResponseWriter, r *http.Request) {
		fmt.Fprint(w, r.Header.Get("User-Agent"), " ", r.Header.Get("Accept"))
	}
	text, written, err := x.Read(t.Context())
	if err != nil || !strings.HasPrefix(string(text), "holdfast ") || !strings.HasSuffix(string(text), " application/geo+json") || time.Since(written) > time.Minute {
		t.Errorf("Read = %q, %v, %v; want our name and what we take", text, written, err)
	}
}

func TestRefusedAddress(t *testing.T) {
	x, err := New(Options{Source: "a", URL: "http://169.254.169.254/latest/meta-data"})
	if err == nil {
		_, _, err = x.Read(t.Context())
	}
	if err == nil || !strings.Contains(err.Error(), "169.254.0.0/16") {
		t.Errorf("where a data centre keeps credentials: %v", err)
	}
}

func TestFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "now.txt")
	for _, lines := range []bool{false, true} {
		x, err := New(Options{Source: "shed", File: path, Lines: lines})
		if err != nil {
			t.Fatal(err)
		}
		os.Remove(path)
		if _, _, err := x.Read(t.Context()); err == nil || !strings.Contains(err.Error(), path) || !strings.Contains(err.Error(), "check weather file in the config") {
			t.Errorf("missing: %v", err)
		}
		put := func(text string, age time.Duration) {
			t.Helper()
			at := time.Now().Add(-age)
			if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(path, at, at); err != nil {
				t.Fatal(err)
			}
		}
		want := func(want string) {
			t.Helper()
			if got, _, err := x.Read(t.Context()); err != nil || string(got) != want {
				t.Errorf("lines %v: Read = %q, %v, want %q", lines, got, err, want)
			}
		}
		put("one\ntw", time.Second)
		if lines {
			want("one\n")
			want("one\n") // it is looked at again
		} else {
			want("one\ntw")
		}
		put("one\ntw", time.Hour)
		want("one\ntw")
		want("")
		x.Again()
		want("one\ntw")
	}
}

func TestOptions(t *testing.T) {
	for _, o := range []Options{{}, {File: "a", URL: "http://b"}, {URL: "ftp://b"}, {URL: "b"}, {URL: "http://%zz"}} {
		if _, err := New(o); err == nil {
			t.Errorf("New(%+v) succeeded", o)
		}
	}
}
