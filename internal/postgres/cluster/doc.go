// Package cluster runs a private PostgreSQL for installs on one machine. It
// uses the server programs of the operating system, keeps everything in one
// folder, listens on a UNIX socket only and never runs as root.
//
// Inside the folder:
//
//	lock              held while a velamen server uses the folder
//	credentials.json  passwords of the roles, for the owner only
//	postgres/         the data of the cluster
//	run/              the socket, unless the path is too long for one
//	postgres.log      what PostgreSQL reports (the previous file is postgres.log.1)
//
// The postmaster is our child in a session of its own, so that Ctrl-C in a
// terminal reaches us alone and PostgreSQL is stopped last. If we are killed,
// the kernel sends it the signal for a fast shutdown; should it survive that,
// the next Start stops it before starting its own.
package cluster
