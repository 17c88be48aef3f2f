// Command release makes what people install who have no Go: for each system one archive
// and, for Debian, a package; beside them an SPDX list of what is in each binary, and the
// checksums of all.
//
// A Source is the tree at one commit: version, time, files. A Target is a system. build
// makes a target's Binary, components lists what is linked into it (as the binary itself
// says) with the licence texts of each, bill writes that as SPDX 2.3, pack writes archives.
// The same commit gives the same bytes in any folder, by any user, at any time: times are the
// commit's, names are sorted, owners and modes are fixed.
//
// Caveats: it needs the module cache or a network, git, and the pages built. A component
// without a licence text, or with one that is not on the list of those that let us do this,
// is an error.
//
// Non-goals: signing, uploading, and any package format but Debian's.
package main
