package analysis

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
)

// ReadProduction reads CSV (RFC 4180) with the head "date,count": a local date
// and what was made on it. Errors name the line and how to mend it.
func ReadProduction(in io.Reader) ([]Production, error) {
	r := csv.NewReader(in)
	r.FieldsPerRecord = -1
	var all []Production
	seen := map[string]int{}
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		line, _ := r.FieldPos(0)
		if parse := (*csv.ParseError)(nil); errors.As(err, &parse) {
			return nil, fmt.Errorf("line %d: %w: write each line as date,count, such as 2026-03-02,118", parse.Line, parse.Err)
		}
		if err != nil {
			return nil, err
		}
		if len(all) == 0 && len(seen) == 0 {
			if !isHead(record) {
				return nil, fmt.Errorf(`line %d: %q is not the head: write date,count on the first line`, line, strings.Join(record, ","))
			}
			seen[""] = line
			continue
		}
		p, err := productionOf(record)
		if err != nil {
			return nil, fmt.Errorf("line %d: %w", line, err)
		}
		if before, twice := seen[p.Date]; twice {
			return nil, fmt.Errorf("line %d: %s stands on line %d too: keep one line for a day", line, p.Date, before)
		}
		seen[p.Date] = line
		all = append(all, p)
	}
	if len(all) == 0 {
		return nil, errors.New("no day is in it: write date,count on the first line, then a line for each day, such as 2026-03-02,118")
	}
	return all, nil
}

func isHead(record []string) bool {
	return len(record) == 2 && strings.TrimPrefix(strings.TrimSpace(record[0]), "\ufeff") == "date" && strings.TrimSpace(record[1]) == "count"
}

func productionOf(record []string) (p Production, err error) {
	if len(record) != 2 {
		return p, fmt.Errorf("%d columns: write two, date,count, such as 2026-03-02,118", len(record))
	}
	p.Date = strings.TrimSpace(record[0])
	if _, err := time.Parse(time.DateOnly, p.Date); err != nil {
		return p, fmt.Errorf("date %q: write it like 2026-03-02", p.Date)
	}
	text := strings.TrimSpace(record[1])
	if p.Count, err = strconv.ParseFloat(text, 64); err != nil || !(p.Count >= 0 && p.Count < 1e15) {
		return p, fmt.Errorf("count %q of %s: write a number of zero or more, with a point for decimals", text, p.Date)
	}
	return p, nil
}
