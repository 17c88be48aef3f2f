package poll

import (
	"context"
	"fmt"
	"time"

	"loadscribe/agent/modbus"
	"loadscribe/agent/scan"
	"loadscribe/agent/sitefile"
)

// lookAgain is the pause before a line that has another master is listened to
// anew.
const lookAgain = 30 * time.Second

// firstListener is a Client that can listen before it asks.
type firstListener interface {
	ListenFirst(ctx context.Context, d time.Duration) (modbus.ListenStats, error)
}

// clear listens to a line that was just opened and reports whether it may be
// polled. A line on which somebody else asks is never polled: client is closed
// then, and the line is listened to again later.
func (l *line) clear(ctx context.Context, client conn) bool {
	listener, ok := client.(firstListener)
	if !ok || l.site.Listen || l.site.ListenFirst <= 0 {
		return true
	}
	l.life.pulse.Busy("listening before it asks", l.site.ListenFirst)
	heard, err := listener.ListenFirst(ctx, l.site.ListenFirst)
	if err == nil && heard.Requests == 0 {
		l.taken = false
		return true
	}
	_ = client.Close() // nothing was asked of it
	switch {
	case ctx.Err() != nil:
	case err != nil:
		l.down(err)
	default:
		l.occupied(heard.LastAsked)
	}
	return false
}

// occupied notes that another master is on the line, and what it asks.
func (l *line) occupied(asked string) {
	detail := fmt.Sprintf("%s by another master, so this line is not polled: %s", asked, mendBusy(l.site))
	l.taken = true
	now := l.now()
	l.openAt = now.Add(lookAgain)
	l.trouble.failed(now, "line has another master", detail)
	l.book.line(false, detail, l.wallMS())
}

func mendBusy(l *sitefile.Line) string {
	if l.Kind == sitefile.ModbusRTU {
		return "set listen = true for it to take the values from the other master's traffic, or disconnect that master"
	}
	return "disconnect that master"
}

// whyClosed is the reason of scans while the line is not open.
func (l *line) whyClosed() scan.Reason {
	if l.taken {
		return scan.LineBusy
	}
	return scan.PortGone
}
