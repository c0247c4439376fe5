package main

import (
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"text/template"

	"github.com/spf13/cobra"

	"github.com/evenbench/evenbench/internal/lab"
)

func unitCommand() *cobra.Command {
	var user string
	c := &cobra.Command{
		Use:   "unit LAB-FILE",
		Short: "Print a systemd unit that keeps the hub of a lab running",
		Long: `unit prints a service unit for systemd that starts the hub of a lab with the
machine, starts it anew when it ends or hangs, and lets it touch nothing but its
data folder and its serial lines. Read it before you install it.`,
		Example: `  evenbench unit /srv/lab/lab.yaml > evenbench.service`,
		Args:    exactly(1, "unit takes one lab file"),
		RunE: func(c *cobra.Command, args []string) error {
			program, err := thisProgram()
			if err != nil {
				return err
			}
			file, err := filepath.Abs(args[0])
			if err != nil {
				return fmt.Errorf("find the lab file %s: %w", args[0], err)
			}
			l, problems := lab.Load(file, labOptions())
			if err := problems.Err(); err != nil {
				return err
			}
			return writeUnit(c.OutOrStdout(), unit{Lab: l.Name, Program: program, File: file, Data: l.Data, User: user})
		},
	}
	c.Flags().StringVar(&user, "user", "evenbench", "system `user` that the hub runs as")
	return c
}

// unit is what differs from one lab's unit to another's.
type unit struct {
	Lab, Program, File, Data, User string
}

func writeUnit(w io.Writer, u unit) error {
	return unitText.Execute(w, u)
}

// quoted writes a text as one word of a unit file: systemd.syntax(7) and the specifiers
// of systemd.unit(5).
func quoted(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, `%`, `%%`, "$", "$$").Replace(s) + `"`
}

// path writes a path where systemd takes one as it stands: only specifiers count there.
func path(s string) string {
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, `%`, `%%`).Replace(s) + `"`
}

// line keeps a text from ending its line, and so from adding to the unit.
func line(s string) string {
	return strings.Join(strings.Fields(strings.ReplaceAll(s, `%`, `%%`)), " ")
}

var unitText = template.Must(template.New("unit").Funcs(template.FuncMap{"quoted": quoted, "path": path, "line": line}).Parse(
	`# Once, as root:
#   useradd --system --no-create-home --groups dialout {{line .User}}
#   install -d -m 0700 -o {{line .User}} {{path .Data}}
# and this file as /etc/systemd/system/evenbench.service; then
#   systemctl daemon-reload && systemctl enable --now evenbench
# The lab file and every sheet that it names must be readable by the user.

[Unit]
Description=Instrument hub of {{line .Lab}}
After=network.target time-sync.target
# It is tried again for ever: nobody may be there to start it.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={{quoted .Program}} serve {{quoted .File}}
ExecReload=/bin/kill -HUP $MAINPID
User={{line .User}}
SupplementaryGroups=dialout
UMask=0077

# The hub reads its whole record before it is ready; after years that takes a while.
TimeoutStartSec=infinity
# Drivers hand over what they hold, which the hub gives 15 s.
TimeoutStopSec=30
# Only a hub whose record moves answers. A commit may take 10 s on a disk that wakes up.
WatchdogSec=60
Restart=always
RestartSec=1
# A lab file with mistakes is not mended by another try.
RestartPreventExitStatus=3
# Drivers outlive a hub that falls: they hold their readings, and the next hub takes them
# up. When the hub is stopped in order it ends them itself.
KillMode=process

# Nothing but the data folder is written, and nothing but serial lines is opened.
# MemoryDenyWriteExecute is left out: drivers may be programs of any language.
ReadWritePaths={{path .Data}}
ProtectSystem=strict
ProtectHome=read-only
# For sockets of drivers, where the path of the data folder is too long for them. It
# must outlive the hub as the drivers do, which a private /tmp does not.
RuntimeDirectory=evenbench
RuntimeDirectoryPreserve=yes
Environment=TMPDIR=%t/evenbench
DevicePolicy=closed
DeviceAllow=char-ttyS rw
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyACM rw
DeviceAllow=char-pts rw
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
ProtectClock=yes
ProtectControlGroups=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallErrorNumber=EPERM

[Install]
WantedBy=multi-user.target
`))
