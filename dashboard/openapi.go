package dashboard

import (
	_ "embed"
	"net/http"
)

// openAPI is the contract of the HTTP API, written by hand.
//
//go:embed openapi.json
var openAPI []byte

func serveOpenAPI(w http.ResponseWriter, _ *http.Request) {
	allowWrite(w)
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-cache")
	w.Write(openAPI) // the client has gone: nobody is left to tell
}
