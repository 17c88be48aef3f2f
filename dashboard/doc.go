// Package dashboard serves the pages, the HTTP API and the live socket.
//
// A Server answers from a Backend: a running agent, or a stopped store. Every
// answer of the API has a schema in openapi.json, which is served too and from
// which the page's types are made; a test holds the handlers to it.
//
// The live socket sends a snapshot and then what changes. Publish encodes a
// message once and never waits: each client has a bounded queue; when it is
// full, only the latest message a subject is kept; a client that is still
// behind is closed with a code and told to come again. All three are counted.
//
// The server reads only: what it takes by POST are a person's words about a
// hook-up check, from a local command that bears the secret of agent.json or
// from its own page, and none of it reaches a controller. It answers under
// loopback names, its own address and names it was given, so that a foreign
// page cannot reach it by pointing a name at it; it sends no CORS headers; it
// opens no file named by a request: the pages are in the binary, and the files
// that /api/v1/sitefile compares are those that the site file itself names.
//
// It knows no formula: every figure comes from the Backend.
package dashboard
