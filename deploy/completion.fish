# From `python -m tests.readme`.


# Parse current commandline:
# - _shtab_surpluscharge_cmdpath=(sub)command path seen so far
# - _shtab_surpluscharge_npos=number of positional arguments given after it
# - options are skipped based on _shtab_surpluscharge_opts_with_value & _shtab_surpluscharge_commands lists
function _shtab_surpluscharge_scan
  set -g _shtab_surpluscharge_cmdpath ''
  set -g _shtab_surpluscharge_npos 0
  set -l tokens (commandline -opc)
  set -e tokens[1]
  set -l expect_value 0
  for t in $tokens
    if test $expect_value -eq 1
      set expect_value 0
      continue
    end
    switch "$t"
      case '--*=*'
        continue
      case '-*'
        if contains -- $t $_shtab_surpluscharge_opts_with_value
          set expect_value 1
        end
        continue
      case '*'
        if test $_shtab_surpluscharge_npos -eq 0
          set -l candidate $t
          if test -n "$_shtab_surpluscharge_cmdpath"
            set candidate "$_shtab_surpluscharge_cmdpath $t"
          end
          if contains -- $candidate $_shtab_surpluscharge_commands
            set -g _shtab_surpluscharge_cmdpath $candidate
            continue
          end
        end
        set -g _shtab_surpluscharge_npos (math $_shtab_surpluscharge_npos + 1)
    end
  end
end

# Condition helper: true if the current (sub)command path equals the given one.
function _shtab_surpluscharge_using
  _shtab_surpluscharge_scan
  test "$_shtab_surpluscharge_cmdpath" = "$argv"
end

set -g _shtab_surpluscharge_commands run check examine commission status watch enable disable off ack looked charge away advise replay tune history export import changed registers report schema demo
set -g _shtab_surpluscharge_opts_with_value --back --by --ca-file --column --config --day --fresh-s --from --host --hours --html --into --kwh --leave --listen --month --note --objective --output --password-credential --password-env --password-file --port --prices --readings --record --seed --speed --to --undo --user --what --write

complete -c surpluscharge -e
complete -c surpluscharge -f

complete -c surpluscharge -n _shtab_surpluscharge_using -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n _shtab_surpluscharge_using -l version -d 'show program'"'"'s version number and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a run -d 'Run the daemon until it is told to stop.'
complete -c surpluscharge -n '_shtab_surpluscharge_using run' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using run' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a check -d 'Check a configuration, and show every setting with its source.'
complete -c surpluscharge -n '_shtab_surpluscharge_using check' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using check' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using check' -l brief -d 'only what it comes to, and the warnings'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a examine -d 'Look over broker, rights, clock, disk, unit and ledger; nothing is switched.'
complete -c surpluscharge -n '_shtab_surpluscharge_using examine' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using examine' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using examine' -l listen -x -d 'how long the devices are listened to (default: 12)'
complete -c surpluscharge -n '_shtab_surpluscharge_using examine' -l json -d 'print what was found as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a commission -d 'See, with you at the plug, that meter, relay and lead are as configured.'
complete -c surpluscharge -n '_shtab_surpluscharge_using commission' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using commission' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using commission' -l record -xka "(__fish_complete_path (commandline -ct))" -d 'write what was found to a new file, as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a status -d 'Show what the daemon does, why, and what it waits for (exit status 1: gone).'
complete -c surpluscharge -n '_shtab_surpluscharge_using status' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using status' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using status' -l json -d 'print the whole document'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a watch -d 'Watch chargers, and tell them, by MQTT, from any machine.'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'take broker and base topic from a daemon'"'"'s configuration'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l host -x -d 'the broker'"'"'s name or address (default: localhost)'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l port -x -d 'default: 1883, with TLS 8883'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l tls -d 'the connection is encrypted'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l ca-file -xka "(__fish_complete_path (commandline -ct))" -d 'by a certificate authority of your own'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l user -x -d 'default: none'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l password-file -xka "(__fish_complete_path (commandline -ct))" -d 'a file that holds it'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l password-env -x -d 'or an environment variable'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l password-credential -x -d 'or the service manager'
complete -c surpluscharge -n '_shtab_surpluscharge_using watch' -l plain -d 'as lines, also on a terminal'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a enable -d 'Let it charge, as a dashboard'"'"'s switch does, and show what it does then.'
complete -c surpluscharge -n '_shtab_surpluscharge_using enable' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using enable' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a disable -d 'End a charge at once, and charge no more until it is enabled again.'
complete -c surpluscharge -n '_shtab_surpluscharge_using disable' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using disable' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a off -d 'Tell the relay to switch off, once, and return.'
complete -c surpluscharge -n '_shtab_surpluscharge_using off' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using off' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a ack -d 'Acknowledge latched faults, after somebody has looked at the cause.'
complete -c surpluscharge -n '_shtab_surpluscharge_using ack' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using ack' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a looked -d 'Say that you have looked at pins and socket, and what you saw.'
complete -c surpluscharge -n '_shtab_surpluscharge_using looked' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using looked' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a charge -d 'Ask for a charge now, or by a time, whatever the sun does.'
complete -c surpluscharge -n '_shtab_surpluscharge_using charge' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using charge' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using charge' -l kwh -x -d 'so much energy'
complete -c surpluscharge -n '_shtab_surpluscharge_using charge' -l hours -x -d 'for so long, beginning now'
complete -c surpluscharge -n '_shtab_surpluscharge_using charge' -l nothing -d 'take back what was asked for'
complete -c surpluscharge -n '_shtab_surpluscharge_using charge' -l by -x -d 'with --kwh: HH:MM, or an RFC 3339 time with its offset (default: beginning now)'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a away -d 'Say when nobody is there: what is needed by the configuration then is not.'
complete -c surpluscharge -n '_shtab_surpluscharge_using away' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using away' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using away' -l leave -x -d 'a day, or an RFC 3339 time with its offset (default: now)'
complete -c surpluscharge -n '_shtab_surpluscharge_using away' -l back -x -d 'likewise (default: when --over is said)'
complete -c surpluscharge -n '_shtab_surpluscharge_using away' -l no-sun -d 'nor is the sun to charge meanwhile'
complete -c surpluscharge -n '_shtab_surpluscharge_using away' -l over -d 'somebody is there again, or will be after all'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a advise -d 'Say from which surplus on charging pays, at the configured prices.'
complete -c surpluscharge -n '_shtab_surpluscharge_using advise' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using advise' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using advise' -l json -d 'print it as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a replay -d 'Show what recorded readings would have given, beside the best possible.'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l readings -xka "(__fish_complete_path (commandline -ct))" -d 'a CSV file with the columns time, grid_w (or import_w and export_w)[, charger_w]; _kw for kilowatts; or "ledger": the daemon'"'"'s own history'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l decimal-comma -d 'numbers in the file are written as 1350,5'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l column -x -d 'the file calls a column by another name, such as import_kw='"'"'from the grid (kW)'"'"'; may be repeated'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l prices -xka "(__fish_complete_path (commandline -ct))" -d 'import prices that moved: JSON as the topic has them, or CSV with a header of start, minutes or end, and price (default: with the ledger those on record, else those of [money])'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l json -d 'print it as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l html -xka "(__fish_complete_path (commandline -ct))" -d 'also draw a day and all days (needs the report extra)'
complete -c surpluscharge -n '_shtab_surpluscharge_using replay' -l day -x -d 'the day to draw (default: the costliest one)'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a tune -d 'Search the thresholds and delays that would have done best, and judge the gain.'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l readings -xka "(__fish_complete_path (commandline -ct))" -d 'a CSV file with the columns time, grid_w (or import_w and export_w)[, charger_w]; _kw for kilowatts; or "ledger": the daemon'"'"'s own history'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l decimal-comma -d 'numbers in the file are written as 1350,5'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l column -x -d 'the file calls a column by another name, such as import_kw='"'"'from the grid (kW)'"'"'; may be repeated'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l prices -xka "(__fish_complete_path (commandline -ct))" -d 'import prices that moved: JSON as the topic has them, or CSV with a header of start, minutes or end, and price (default: with the ledger those on record, else those of [money])'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l objective -xka "value solar starts" -d 'value: money; solar: solar energy less what is bought beside it; starts: the fewest that earn no less'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l json -d 'print it as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l html -xka "(__fish_complete_path (commandline -ct))" -d 'also draw value against starts (needs the report extra)'
complete -c surpluscharge -n '_shtab_surpluscharge_using tune' -l write -xka "(__fish_complete_path (commandline -ct))" -d 'write the configuration with what is recommended to a new file'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a history -d 'Check the ledger, and say how to mend it.'
complete -c surpluscharge -n '_shtab_surpluscharge_using history' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using history' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using history' -l mend -d 'put right what can be; the daemon must be stopped'
complete -c surpluscharge -n '_shtab_surpluscharge_using history; and test $_shtab_surpluscharge_npos -eq 0' -ka "check" -d action
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a export -d 'Write what is on record to standard output, or to a file.'
complete -c surpluscharge -n '_shtab_surpluscharge_using export' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using export' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using export' -l from -x -d 'a day, or an RFC 3339 time (default: the first)'
complete -c surpluscharge -n '_shtab_surpluscharge_using export' -l to -x -d 'a day, included, or a time (default: now)'
complete -c surpluscharge -n '_shtab_surpluscharge_using export' -l what -xka "readings charges days joints looks" -d 'default: readings'
complete -c surpluscharge -n '_shtab_surpluscharge_using export' -l output -xka "(__fish_complete_path (commandline -ct))" -d 'needed for parquet (and the parquet extra)'
complete -c surpluscharge -n '_shtab_surpluscharge_using export; and test $_shtab_surpluscharge_npos -eq 0' -ka "csv parquet" -d 'default: as the file is named, otherwise csv'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a import -d 'Take older readings from a CSV file into the ledger: all of it, or nothing.'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l decimal-comma -d 'numbers in the file are written as 1350,5'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l column -x -d 'the file calls a column by another name, such as import_kw='"'"'from the grid (kW)'"'"'; may be repeated'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l dry-run -d 'check and count everything, and write nothing'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l list -d 'list the imports on record, by number'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l undo -x -d 'take back what this import added, and nothing else'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l yes -d 'do not ask before something is undone'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l fresh-s -x -d 'hold no reading longer (default: thrice the usual interval)'
complete -c surpluscharge -n '_shtab_surpluscharge_using import' -l gaps-only -d 'leave out what is on record already'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a changed -d 'Say that meter, plug, lead or house is another one, so that nothing is mixed.'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -l from -x -d 'a day, or an RFC 3339 time (default: now)'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -l note -x -d 'a word about it, for reports'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -l list -d 'list what was said, by number'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -l undo -x -d 'take one back'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed' -l yes -d 'do not ask first'
complete -c surpluscharge -n '_shtab_surpluscharge_using changed; and test $_shtab_surpluscharge_npos -eq 0' -ka "meter plug lead house" -d 'what is another one: house if moved, or with other panels'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a registers -d 'Make a statement of a month from what energy registers showed. Not for billing.'
complete -c surpluscharge -n '_shtab_surpluscharge_using registers' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using registers' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using registers' -l month -x -d 'a month: 2031-05 (default: this one)'
complete -c surpluscharge -n '_shtab_surpluscharge_using registers' -l json -d 'print it as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a report -d 'Say what a day, a month or any days came to: energy, money, surplus caught.'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l config -xka "(__fish_complete_path (commandline -ct))" -d 'the configuration, a TOML file'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l day -x -d 'a day: 2031-05-14, today or yesterday (default: today)'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l month -x -d 'a month: 2031-05, or last'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l from -x -d 'the first of several days'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l to -x -d 'and the last (default: today)'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l json -d 'print the figures as JSON'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l html -xka "(__fish_complete_path (commandline -ct))" -d 'write a page with pictures (needs the report extra)'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l into -x -d 'write it there, named by its days: a page, or text without the report extra'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l tell -d 'send it to those whom [[tell]] tells of months'
complete -c surpluscharge -n '_shtab_surpluscharge_using report' -l socket -d 'say how the socket is doing instead (default: ever)'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a schema -d 'Print the JSON Schema of the status document.'
complete -c surpluscharge -n '_shtab_surpluscharge_using schema' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using; and test $_shtab_surpluscharge_npos -eq 0' -a demo -d 'Watch the daemon run a simulated house, its numbers invented.'
complete -c surpluscharge -n '_shtab_surpluscharge_using demo' -s h -l help -d 'show this help message and exit'
complete -c surpluscharge -n '_shtab_surpluscharge_using demo' -l hours -x -d 'house hours to simulate, from 12:50 on (default: 18.5, until the car has left)'
complete -c surpluscharge -n '_shtab_surpluscharge_using demo' -l speed -x -d 'house seconds per second (default: done in about two minutes)'
complete -c surpluscharge -n '_shtab_surpluscharge_using demo' -l seed -x -d 'which weather and household (default: 1)'
complete -c surpluscharge -n '_shtab_surpluscharge_using demo' -l battery -d 'with a battery in the house, which is to be spared'
complete -c surpluscharge -n '_shtab_surpluscharge_using demo' -l json -d 'print the summary as JSON'
