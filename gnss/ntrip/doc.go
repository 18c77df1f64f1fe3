// Package ntrip fetches correction streams and source tables from NTRIP
// casters, versions 1.0 (RTCM 10410.0) and 2.0 (RTCM 10410.1), plain or over
// TLS.
//
// The protocol is HTTP with exceptions that net/http refuses: a version 1
// caster answers "ICY 200 OK", and one asked for a mount point it does not have
// answers with its source table as if all were well. So the request is written
// by hand, the first bytes of the reply are looked at, and only a genuine HTTP
// reply is handed to net/http.
//
// Every way a caster can turn a client away becomes a [Refusal] that says in
// words what happened and what to try. The password comes from the environment
// variable [PasswordEnv] only; no value of this package prints it.
//
// Start at [Client.Open] and [Client.Table].
package ntrip
