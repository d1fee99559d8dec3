// Package cli is the velamen command: thin clients of the gRPC services, which
// print tables for people or, with --json, the messages of the contract.
//
// Exit codes:
//
//	0  done
//	1  failed: the outcome is not known, as when the answer did not come in time, or
//	   the check that was asked for failed
//	2  usage: the command line is wrong, nothing was sent
//	3  refused: the server will not do this as things stand
//	4  not signed in, or not allowed
//	5  the server cannot be reached
package cli
