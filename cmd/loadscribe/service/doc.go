// Package service installs loadscribe as a service of the computer and talks to the
// service manager that runs it: systemd on Linux, the service control manager on Windows.
//
// A Plan is what is to be installed: NewPlan reads it off a site file. Unit, Sysusers and
// PolkitRule are the files of systemd as texts, made from it alone. Systemd and the Windows
// manager are Systems: they check everything first, do their steps in order and take them
// back when one fails. A running agent tells its manager how it stands by Notify; on Windows
// Serve stands between the two.
//
// Caveats: the Windows half is built and vetted, and its tables, texts and stop protocol are
// tested on any system; it has never been run. systemctl, systemd-sysusers and journalctl are the only
// programs that are started, here alone in the whole project, by absolute arguments and
// never through a shell.
//
// Non-goals: no other service managers; no user sessions' services; nothing here records.
package service
