// Package workbook writes the figures of a report as a workbook (XLSX).
package workbook

import _ "github.com/xuri/excelize/v2" // until the writer stands
