package main

import "context"

// evidenceFigures are the rows of what goes out to other people's tools and
// comes in from them.
var evidenceFigures = []string{"verify_week", "bundle_bytes", "export_rows_per_second", "import_rows_per_second"}

func evidenceRows(ctx context.Context, b *bench) ([]row, error) {
	bundles, err := bundleRows(ctx, b)
	if err != nil {
		return nil, err
	}
	exchange, err := exchangeRows(ctx, b)
	return append(bundles, exchange...), err
}
