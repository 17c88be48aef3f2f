package main

import "context"

// evidenceFigures are the rows of what goes out to other people's tools and
// comes in from them.
var evidenceFigures = []string{"export_rows_per_second", "import_rows_per_second"}

func evidenceRows(ctx context.Context, b *bench) ([]row, error) {
	return exchangeRows(ctx, b)
}
