// Package print renders a report to PDF, without a browser.
package print

import (
	_ "codeberg.org/go-pdf/fpdf" // until the renderer stands
	_ "golang.org/x/image/font/gofont/goregular"
)
