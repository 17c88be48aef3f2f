// Package door decides who may come in where the pages are served to others:
// people with their passwords and roles, sessions, the set-up code of the first
// person, the token of a metrics scrape, the server's certificate, and how many
// connections there may be.
//
// A Door keeps people.json, certificate.pem, key.pem and scrape-token in one
// folder (0700, files 0600), each written whole and renamed. Sessions are in
// memory alone: they end with the process. Passwords are kept as argon2id
// hashes with their parameters. Attempts are limited by name, by address and in
// all, by waits that grow; no wait outlasts a quarter of an hour, and local
// commands are never limited, so that the right person is not locked out for
// good.
//
// Caveats: on Windows the modes of files say nothing, the rights of the data
// directory's folder hold. Passwords are compared byte by byte, as the keyboard
// sent them. What is limited is forgotten with the process.
//
// Non-goals: it speaks no HTTP but one hint to who speaks HTTP to the TLS port,
// knows no route and no cookie; no second factor, no directory service, no
// forgotten-password mail (a local command sets a new one).
package door
