package intake

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"loadscribe/agent/scan"
)

// maxIndexRows bounds the index of a file whose rows are not in order of time:
// 240 MB of memory.
const maxIndexRows = 10_000_000

// checkEvery is how many rows are read between two looks at the context.
const checkEvery = 1024

// lookAt reads all stamps of a file: how many rows, from when to when, and
// whether they are in order.
func (s *source) lookAt(ctx context.Context) error {
	sum := sha256.New()
	r, err := s.open(sum)
	if err != nil {
		return err
	}
	var l look
	l.runs = []run{}
	previous := int64(0)
	err = r.each(ctx, func() error {
		ms, err := r.stamp()
		if err != nil {
			return err
		}
		if l.rows == 0 {
			l.firstMS, l.lastMS = ms, ms
		} else if ms < previous {
			l.backward++
		}
		l.addRun(r.rows, ms, l.rows == 0 || ms < previous)
		l.firstMS, l.lastMS = min(l.firstMS, ms), max(l.lastMS, ms)
		previous = ms
		l.rows++
		return nil
	})
	if err == nil {
		err = r.ended()
	}
	if closing := r.close(); err == nil {
		err = closing
	}
	if err != nil {
		return err
	}
	if l.rows == 0 {
		return fileMistake(s.path, "it has no readings", "leave it out")
	}
	l.done, l.blank, l.doubled = true, r.blanks, r.stamps.doubled
	l.sha256 = hex.EncodeToString(sum.Sum(nil))
	s.looked = l
	return nil
}

// addRun counts a row to the stretch it is in; begins: a new one.
func (l *look) addRun(row *rowReader, ms int64, begins bool) {
	switch {
	case l.runs == nil:
		return
	case begins && len(l.runs) == maxRuns:
		l.runs = nil
		return
	case begins:
		l.runs = append(l.runs, run{offset: row.offset, line: row.line, firstMS: ms})
	}
	l.runs[len(l.runs)-1].rows++
}

// ended refuses a file whose times are not known after all.
func (r *reading) ended() error {
	var re *rowError
	if err := r.stamps.end(); errors.As(err, &re) {
		return r.wrong(0, -1, re.message, re.mend, nil)
	}
	return nil
}

// each calls fn for each row.
func (r *reading) each(ctx context.Context, fn func() error) error {
	for n := 0; ; n++ {
		if n%checkEvery == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		err := r.next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err == nil {
			r.logger.in.tick(r.rows.size)
			err = fn()
		}
		if err != nil {
			return err
		}
	}
}

// indexed is a row's place in a file that is not in order of time.
type indexed struct {
	ms, offset int64
	size       int32
	line       uint32
}

// record is one row, as far as it concerns channels.
type record struct {
	shownMS, atMS int64 // by the logger's own clock; corrected
	line          int64
	parts         []part
}

// part is what a row says of one group.
type part struct {
	group int
	cells []cell
	spoke bool // there is a scan of this group in the row
}

// cursor hands rows of one file on in order of time: those of one stretch, or
// all by an index.
type cursor struct {
	*source
	run     *run // nil: all, by the index
	reading *reading
	index   []indexed
	at      int64 // rows read
	raw     []byte
	targets map[string]*target // of the long layout, by device, channel and unit
	key     []byte
	rec     record
}

// start opens the file.
func (c *cursor) start(ctx context.Context) error {
	var err error
	if c.run == nil {
		if err = c.makeIndex(ctx); err != nil {
			return err
		}
	}
	if c.reading, err = c.open(nil); err != nil {
		return err
	}
	if c.run != nil && c.run != &c.looked.runs[0] {
		if err := c.reading.seek(*c.run); err != nil {
			return err
		}
	}
	c.rec.parts = make([]part, max(len(c.plan.groups), 1))
	for i, g := range c.plan.groups {
		c.rec.parts[i] = part{group: g, cells: make([]cell, len(c.logger.in.groups[g].Channels))}
	}
	c.targets = map[string]*target{}
	return nil
}

// makeIndex reads the stamps and sorts the rows; rows of one time keep their
// order.
func (c *cursor) makeIndex(ctx context.Context) error {
	if c.looked.rows > maxIndexRows {
		return fileMistake(c.path, fmt.Sprintf("its %d rows are not in order of time, which goes for %d at most", c.looked.rows, maxIndexRows),
			"sort the file by time, or split it")
	}
	r, err := c.open(nil)
	if err != nil {
		return err
	}
	defer r.close()
	c.index = make([]indexed, 0, c.looked.rows)
	err = r.each(ctx, func() error {
		ms, err := r.stamp()
		c.index = append(c.index, indexed{ms, r.rows.offset, int32(r.rows.size), uint32(r.rows.line)})
		return err
	})
	slices.SortStableFunc(c.index, func(a, b indexed) int { return cmp.Compare(a.ms, b.ms) })
	return err
}

// next reads the next row into rec; io.EOF behind the last, with the file
// closed.
func (c *cursor) next() error {
	err := io.EOF
	switch {
	case c.run == nil:
		err = c.nextIndexed()
	case c.at < c.run.rows:
		if err = c.reading.next(); err == nil {
			c.rec.shownMS, err = c.reading.stamp()
		}
	}
	c.at++
	if errors.Is(err, io.EOF) {
		if closing := c.stop(); closing != nil {
			return closing
		}
		return io.EOF
	}
	if err != nil {
		return err
	}
	c.logger.in.tick(c.reading.rows.size)
	c.rec.line, c.rec.atMS = c.reading.rows.line, c.logger.Clock.True(c.rec.shownMS)
	if c.logger.Layout == Long {
		return c.readLong()
	}
	return c.readWide()
}

func (c *cursor) stop() error {
	c.index = nil
	if c.reading == nil {
		return nil
	}
	r := c.reading
	c.reading = nil
	return r.close()
}

// nextIndexed reads a row at its place.
func (c *cursor) nextIndexed() error {
	if c.at == int64(len(c.index)) {
		return io.EOF
	}
	e := c.index[c.at]
	r := c.reading
	c.raw = slices.Grow(c.raw[:0], int(e.size))[:e.size]
	if _, err := r.file.ReadAt(c.raw, e.offset); err != nil {
		return r.wrong(int64(e.line), -1, "cannot read it: "+err.Error(), "", err)
	}
	row := c.raw
	if r.logger.Encoding != UTF8 {
		row = r.rows.decoder.appendText(nil, c.raw)
	}
	row, _ = bytes.CutSuffix(row, []byte{'\n'})
	row, _ = bytes.CutSuffix(row, []byte{'\r'})
	r.rows.line, r.rows.size = int64(e.line), int64(e.size)
	if err := r.rows.split(row); err != nil {
		return r.rowMistake(err, "")
	}
	c.rec.shownMS = e.ms
	return r.width()
}

// readWide reads the cells of a row. A group all of whose fields are blank has
// no scan in this row, unless the file has that group alone.
func (c *cursor) readWide() error {
	for i := range c.rec.parts {
		clear(c.rec.parts[i].cells)
		c.rec.parts[i].spoke = len(c.rec.parts) == 1
	}
	for i := range c.plan.cells {
		p := &c.plan.cells[i]
		got, err := p.codec.read(c.reading.field(p.column))
		if err != nil {
			return c.badField(p.column, err)
		}
		if got.said {
			part := &c.rec.parts[p.part]
			if old := part.cells[p.channel]; old.said && old != got {
				return c.badField(p.column, fmt.Errorf("differs from what another column of this row says of channel %s", p.codec.channel.ID()))
			}
			part.cells[p.channel] = got
			part.spoke = true
		}
	}
	return nil
}

func (c *cursor) badField(column int, err error) error {
	text := shown(string(c.reading.field(column)))
	return c.reading.wrong(c.reading.rows.line, column, text+" "+err.Error(), "", nil)
}

// readLong reads the one reading of a row.
func (c *cursor) readLong() error {
	t, err := c.longTarget()
	part := &c.rec.parts[0]
	if part.spoke = t != nil; err != nil || t == nil {
		return err
	}
	n := len(c.logger.in.groups[t.group].Channels)
	part.group = t.group
	part.cells = slices.Grow(part.cells[:0], n)[:n]
	clear(part.cells)
	quality, err := c.quality()
	if err != nil {
		return err
	}
	cell := cell{quality: quality, said: true}
	if quality == scan.Good {
		if cell, err = t.codec.read(c.reading.field(c.plan.value)); err != nil {
			return c.badField(c.plan.value, err)
		}
		if !cell.said {
			cell.quality, cell.said = scan.Absent, true
		}
	}
	part.cells[t.channel] = cell
	return nil
}

// quality reads the quality column: a reason as exports name it, or one of the
// texts that the mapping calls good; any other is no value.
func (c *cursor) quality() (scan.Reason, error) {
	if c.plan.quality < 0 {
		return scan.Good, nil
	}
	text := string(c.reading.field(c.plan.quality))
	good := c.logger.Long.Good
	if slices.Contains(good, text) {
		return scan.Good, nil
	}
	reason, err := scan.ParseReason(text)
	switch {
	case err == nil && (reason != scan.Good || good == nil):
		return reason, nil
	case good != nil:
		return scan.Absent, nil
	}
	m := c.badField(c.plan.quality, errors.New(`is no quality that an export writes`))
	var mistake *Mistake
	if errors.As(m, &mistake) {
		mistake.Mend = `write in [logger.long] which texts are good, like good = ["OK"]`
	}
	return 0, m
}

// longTarget finds the channel that a row is of; nil: one that the mapping does
// not list.
func (c *cursor) longTarget() (*target, error) {
	r, p := c.reading, c.plan
	c.key = c.key[:0]
	if p.device >= 0 {
		c.key = append(append(c.key, plainText(r.field(p.device))...), '.')
	}
	c.key = append(c.key, plainText(r.field(p.channel))...)
	id := len(c.key)
	if p.unit >= 0 {
		c.key = append(append(c.key, 0), r.field(p.unit)...)
	}
	if t, ok := c.targets[string(c.key)]; ok {
		return t, nil
	}
	if len(c.targets) > mostColumns {
		return nil, r.wrong(r.rows.line, p.channel, fmt.Sprintf("the file names more than %d channels", mostColumns), "is it the channel's column?", nil)
	}
	name, unit := string(c.key[:id]), ""
	if p.unit >= 0 {
		unit = string(r.field(p.unit))
	}
	t, err := c.newLongTarget(name, unit)
	if err != nil {
		return nil, err
	}
	c.targets[string(c.key)] = t
	return t, nil
}

func (c *cursor) newLongTarget(name, unit string) (*target, error) {
	l := c.logger
	column := l.columns[name]
	id := name
	switch {
	case column == nil && len(l.Columns) > 0:
		c.logger.in.unlisted(c.source, name)
		return nil, nil
	case column != nil:
		id = column.Channel
		if column.Unit != "" || unit == "" {
			t := l.listed[name]
			return &t, nil
		}
	}
	t, problem := l.newTarget(id, unit, column)
	if problem == nil {
		problem = l.claim(t.group, nil)
	}
	if problem != nil {
		return nil, c.reading.wrong(c.reading.rows.line, c.plan.channel, problem.Message, problem.Mend, nil)
	}
	return &t, nil
}

func utcText(ms int64) string { return time.UnixMilli(ms).UTC().Format("2006-01-02T15:04:05.000Z") }
