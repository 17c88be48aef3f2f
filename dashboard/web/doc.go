// Package web holds the built pages. dist is what Vite leaves; in a clean
// clone it holds only a placeholder, and the dashboard then says on its page
// how to build it.
package web
