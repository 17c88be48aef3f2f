package poll

import (
	"context"
	"errors"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
	"loadscribe/agent/textline"
)

// textSite makes a site with one text line and one device.
func textSite(text *sitefile.TextMap, channels ...sitefile.MapChannel) *sitefile.Site {
	for i := range channels {
		c := &channels[i]
		c.Bit = -1
		if c.Scale == 0 {
			c.Scale = 1
		}
		c.Type = c.Text.As
	}
	return &sitefile.Site{
		Lines: []sitefile.Line{{Name: "old", Kind: sitefile.Text, Port: "COM3", Timeout: 200 * time.Millisecond, Echo: sitefile.EchoAuto,
			Serial: sitefile.Serial{Baud: 9600, DataBits: 8, Parity: 'N', StopBits: 1}}},
		Devices: []sitefile.Device{{Name: "c", Line: "old", MapPath: "maps/t.toml",
			Map: &sitefile.RegisterMap{Protocol: "text", Text: text, Channels: channels}}},
	}
}

func textChannel(source, name string, every time.Duration) sitefile.MapChannel {
	return sitefile.MapChannel{Name: name, Every: every, UnitText: "1", Text: &sitefile.TextField{Source: source, Group: name, As: "decimal"}}
}

var errDown = errors.New("no such port")

// textEnd is the far end of a text line. It answers by script; nil: not at all.
type textEnd struct {
	mu     sync.Mutex // guards all below
	script func(question string) string
	conn   net.Conn
	gone   bool
	asked  []string
	wg     sync.WaitGroup
}

func (e *textEnd) dial(context.Context, *sitefile.Line) (TextClient, error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.gone {
		return nil, errDown
	}
	near, far := net.Pipe()
	e.conn = far
	e.wg.Go(func() {
		buffer := make([]byte, 64)
		for {
			n, err := far.Read(buffer)
			if err != nil {
				return
			}
			e.mu.Lock()
			e.asked = append(e.asked, string(buffer[:n]))
			script := e.script
			e.mu.Unlock()
			if script == nil {
				continue
			}
			if answer := script(string(buffer[:n])); answer != "" {
				time.Sleep(20 * time.Millisecond)
				_, _ = far.Write([]byte(answer)) // a closed line ends the next Read
			}
		}
	})
	return textline.New(near, textline.Config{Baud: 9600}), nil
}

// print sends unasked.
func (e *textEnd) print(t *testing.T, text string) {
	t.Helper()
	e.mu.Lock()
	conn := e.conn
	e.mu.Unlock()
	if _, err := conn.Write([]byte(text)); err != nil {
		t.Error(err)
	}
}

// hangUp closes the line; with gone it stays away.
func (e *textEnd) hangUp(gone bool) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.gone = gone
	e.conn.Close()
}

func twoAsks() *sitefile.Site {
	text := &sitefile.TextMap{Asks: []sitefile.TextAsk{
		{Name: "one", Send: []byte("P"), SendTail: []byte("\r"), SendChecksum: sitefile.TextChecksum{Kind: "xor-8"}, Pattern: `P=(?P<p>\S+) Q=(?P<q>\S+)`},
		{Name: "two", Send: []byte("T\r"), Pattern: `T=(?P<t>\S+)`},
	}}
	p := textChannel("one", "p", time.Second)
	p.Valid, p.Scale = &[2]float64{0, 25}, 0.1
	q := textChannel("one", "q", time.Second)
	q.Text.Absent = []string{"--"}
	return textSite(text, p, q, textChannel("two", "t", time.Second))
}

func TestTextIsAsked(t *testing.T) {
	const good, bad = scan.Good, scan.WrongAnswer
	tests := []struct {
		name    string
		one     string
		two     string
		reason  scan.Reason
		values  []int64
		quality []scan.Reason
		detail  string
	}{
		{"all", "P=103.4 Q=-5\r\n", "T=81\r", good, []int64{1034<<8 | 1, -5 << 8, 81 << 8}, nil, ""},
		{"out of range", "P=250.1 Q=5\r\n", "T=81\r", good, []int64{2501<<8 | 1, 5 << 8, 81 << 8}, []scan.Reason{scan.Implausible, good, good}, `first "p" (implausible)`},
		{"at the edge of the range", "P=250.0 Q=5\r\n", "T=81\r", good, []int64{2500<<8 | 1, 5 << 8, 81 << 8}, nil, ""},
		{"no value", "P=1 Q=--\r\n", "T=81\r", good, []int64{1 << 8, 0, 81 << 8}, []scan.Reason{good, scan.Absent, good}, ""},
		{"the first refused", "ERR\r\n", "T=81\r", good, []int64{0, 0, 81 << 8}, []scan.Reason{bad, bad, good}, `"p" (wrong answer)`},
		{"the second silent", "P=1 Q=2\r\n", "", good, []int64{1 << 8, 2 << 8, 0}, []scan.Reason{good, good, scan.Timeout}, `"t" (timeout)`},
		{"both refused", "ERR\r\n", "ERR\r\n", bad, nil, nil, `the pattern does not match "ERR": correct the pattern in maps/t.toml`},
		{"silent", "", "", scan.Timeout, nil, nil, "check power, cable"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				end := &textEnd{script: func(q string) string {
					switch q {
					case "P50\r": // the checksum of one character is the character
						return tt.one
					case "T\r":
						return tt.two
					}
					return "WHAT\r"
				}}
				p := start(t, twoAsks(), Options{DialText: end.dial})
				time.Sleep(900 * time.Millisecond)
				p.stop()
				end.wg.Wait()
				scans := p.tape.of("c", "1s")
				if len(scans) != 1 {
					t.Fatalf("%d scans, want 1", len(scans))
				}
				s := scans[0]
				if s.Reason != tt.reason || !equalTo(s.Values, tt.values) || !equalTo(s.Quality, tt.quality) {
					t.Errorf("got %v %v %v, want %v %v %v", s.Reason, s.Values, s.Quality, tt.reason, tt.values, tt.quality)
				}
				if d := p.Status().Devices[0].Detail; !strings.Contains(d, tt.detail) || (d == "") != (tt.detail == "") {
					t.Errorf("detail %q, want %q", d, tt.detail)
				}
			})
		})
	}
}

func equalTo[T comparable](a, b []T) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

// TestSilentAskCannotHideOthers: a question that is never answered costs a
// timeout, and the other one is still asked.
func TestSilentAskCannotHideOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := &textEnd{script: func(q string) string {
			if q == "T\r" {
				return "T=81\r"
			}
			return ""
		}}
		p := start(t, twoAsks(), Options{DialText: end.dial})
		time.Sleep(time.Minute)
		p.stop()
		end.wg.Wait()
		good := 0
		for _, s := range p.tape.of("c", "1s") {
			if s.ReasonOf(2) == scan.Good {
				good++
			}
		}
		if good < 25 {
			t.Errorf("%d of 60 scans have the channel that answers", good)
		}
	})
}

func printingSite() *sitefile.Site {
	text := &sitefile.TextMap{Listen: true, Prints: []sitefile.TextPrint{
		{Name: "a", Pattern: `A=(?P<a>\S+) B=(?P<b>\S+)`}, {Name: "c", Pattern: `C=(?P<c>\S+)`}, {Name: "slow", Pattern: `D=(?P<d>\S+)`}}}
	return textSite(text, textChannel("a", "a", time.Second), textChannel("a", "b", time.Second), textChannel("c", "c", time.Second),
		textChannel("slow", "d", 10*time.Second))
}

// TestPrintedText: sets, lost prints, prints that are too many, silence, prints
// that nobody knows, a lost line; and not one byte sent.
func TestPrintedText(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := &textEnd{}
		p := start(t, printingSite(), Options{DialText: end.dial})
		time.Sleep(time.Second) // the line is silent when it is opened
		for i := range 10 {     // prints in bursts, twice a second
			a, c := "A=1.5 B=2\r\n", "C=3\r\n"
			if i == 4 {
				c = "C#3\r\n" // damaged: no pattern
			}
			end.print(t, a)
			time.Sleep(10 * time.Millisecond)
			end.print(t, c)
			if i == 0 {
				end.print(t, "D=4\r\n")
			}
			time.Sleep(490 * time.Millisecond)
		}
		scans := p.tape.of("c", "1s")
		if c := count(scans); c[scan.Good] != len(scans) || len(scans) != 10 {
			t.Fatalf("%v, want 10 good scans", c)
		}
		for i, s := range scans {
			want := []int64{15<<8 | 1, 2 << 8, 3 << 8}
			switch {
			case i == 4:
				if want[2] = 0; !equalTo(s.Quality, []scan.Reason{scan.Good, scan.Good, scan.Timeout}) {
					t.Errorf("scan 4: %v", s.Quality)
				}
			case s.Quality != nil || s.DurationMS != 10 || s.MonoMS != 1000+500*int64(i)+5:
				t.Errorf("scan %d: %+v", i, s)
			}
			if !equalTo(s.Values, want) {
				t.Errorf("scan %d: %v, want %v", i, s.Values, want)
			}
		}
		if slow := p.tape.of("c", "10s"); len(slow) != 1 || slow[0].Values[0] != 4<<8 {
			t.Errorf("slow group: %+v", slow)
		}

		time.Sleep(2400 * time.Millisecond) // 2.9 s since the last print
		if n := len(p.tape.of("c", "1s")); n != 10 {
			t.Errorf("a gap within three periods: %d scans", n)
		}
		time.Sleep(10 * time.Second)
		gaps := p.tape.of("c", "1s")[10:]
		if c := count(gaps); c[scan.Timeout] != len(gaps) || len(gaps) < 9 || len(gaps) > 11 {
			t.Errorf("silence: %v, want a timeout each second", c)
		}
		if d := p.Status().Devices[0]; d.Up || !strings.Contains(d.Detail, "nothing is printed") {
			t.Errorf("silence: %+v", d)
		}
		end.print(t, "E=1\r\n")
		time.Sleep(2 * time.Second)
		if d := p.Status().Devices[0]; d.LastReason != scan.WrongAnswer || !strings.Contains(d.Detail, `"E=1"`) {
			t.Errorf("unknown print: %+v", d)
		}
		end.print(t, "A=1 B=2\r\nC=3\r\n")
		time.Sleep(100 * time.Millisecond)
		if d := p.Status().Devices[0]; !d.Up || d.Detail != "" {
			t.Errorf("printing again: %+v", d)
		}

		end.hangUp(true)
		time.Sleep(8 * time.Second)
		if s := p.Status(); s.Lines[0].Up || s.Devices[0].LastReason != scan.PortGone {
			t.Errorf("hang-up: %+v", s)
		}
		end.mu.Lock()
		end.gone = false
		end.mu.Unlock()
		time.Sleep(20 * time.Second)
		end.print(t, "A=1 B=2\r\nC=3\r\n")
		time.Sleep(100 * time.Millisecond)
		if s := p.Status(); !s.Lines[0].Up || !s.Devices[0].Up {
			t.Errorf("back: %+v", s)
		}
		p.stop()
		end.wg.Wait()
		if len(end.asked) != 0 {
			t.Errorf("sent %q to a device that prints by itself", end.asked)
		}
	})
}

// TestSilentPrinterIsOpenedAnew: a connection whose other end has vanished
// stays silent, so it is opened again in the end.
func TestSilentPrinterIsOpenedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		end := &textEnd{}
		p := start(t, printingSite(), Options{DialText: end.dial})
		time.Sleep(10 * time.Minute)
		p.stop()
		end.wg.Wait()
		if n := p.Status().Lines[0].Opened; n < 4 || n > 7 { // ten of the slowest periods: 100 s
			t.Errorf("opened %d times", n)
		}
	})
}

// TestTextMapMismatch: what the checks of the site file let through by other
// ways is refused before a line is opened.
func TestTextMapMismatch(t *testing.T) {
	break1 := func(change func(*sitefile.Site)) *sitefile.Site {
		s := twoAsks()
		change(s)
		return s
	}
	tests := map[string]*sitefile.Site{
		"not a text map":         break1(func(s *sitefile.Site) { s.Devices[0].Map.Text = nil }),
		"has no group":           break1(func(s *sitefile.Site) { s.Devices[0].Map.Channels[0].Text.Group = "x" }),
		"stands in no text":      break1(func(s *sitefile.Site) { s.Devices[0].Map.Channels[0].Text = nil }),
		"missing closing":        break1(func(s *sitefile.Site) { s.Devices[0].Map.Text.Asks[0].Pattern = "(" }),
		"checksum's span begins": break1(func(s *sitefile.Site) { s.Devices[0].Map.Text.Asks[0].SendChecksum.After = []byte("$") }),
	}
	for want, site := range tests {
		if _, err := New(site, sitefile.Groups(site), &tape{}, Options{}); err == nil || !strings.Contains(err.Error(), want) ||
			!strings.Contains(err.Error(), `"c"`) {
			t.Errorf("got %v, want %q", err, want)
		}
	}
}
