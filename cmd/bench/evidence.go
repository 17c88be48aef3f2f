package main

import (
	"context"
	"slices"
)

// evidenceFigures are the rows of what goes out to other people's tools and
// comes in from them.
var evidenceFigures = slices.Concat(bundleFigures, []string{"export_rows_per_second", "import_rows_per_second"})

func evidenceRows(ctx context.Context, b *bench) ([]row, error) {
	rows, err := bundleRows(ctx, b)
	if err != nil {
		return nil, err
	}
	more, err := exchangeRows(ctx, b)
	return append(rows, more...), err
}
