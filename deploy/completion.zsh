#compdef surpluscharge

# From `python -m tests.readme`.


_shtab_surpluscharge_commands() {
  local _commands=(
    ack:'Acknowledge latched faults, after somebody has looked at the cause.'
    advise:'Say from which surplus on charging pays, at the configured prices.'
    away:'Say when nobody is there: what is needed by the configuration then is not.'
    changed:'Say that meter, plug, lead or house is another one, so that nothing is mixed.'
    charge:'Ask for a charge now, or by a time, whatever the sun does.'
    check:'Check a configuration, and show every setting with its source.'
    commission:'See, with you at the plug, that meter, relay and lead are as configured.'
    demo:'Watch the daemon run a simulated house, its numbers invented.'
    disable:'End a charge at once, and charge no more until it is enabled again.'
    enable:'Let it charge, as a dashboard'"'"'s switch does, and show what it does then.'
    examine:'Look over broker, rights, clock, disk, unit and ledger; nothing is switched.'
    export:'Write what is on record to standard output, or to a file.'
    history:'Check the ledger, and say how to mend it.'
    import:'Take older readings from a CSV file into the ledger: all of it, or nothing.'
    looked:'Say that you have looked at pins and socket, and what you saw.'
    off:'Tell the relay to switch off, once, and return.'
    registers:'Make a statement of a month from what energy registers showed. Not for billing.'
    replay:'Show what recorded readings would have given, beside the best possible.'
    report:'Say what a day, a month or any days came to: energy, money, surplus caught.'
    run:'Run the daemon until it is told to stop.'
    schema:'Print the JSON Schema of the status document.'
    status:'Show what the daemon does, why, and what it waits for (exit status 1: gone).'
    tune:'Search the thresholds and delays that would have done best, and judge the gain.'
    watch:'Watch chargers, and tell them, by MQTT, from any machine.'
  )
  _describe 'surpluscharge commands' _commands
}

_shtab_surpluscharge_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "(- : *)--version[show program\'s version number and exit]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_defaults_added=0

_shtab_surpluscharge_ack_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  ":of one fault (default\: all):"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_ack_defaults_added=0

_shtab_surpluscharge_advise_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--json[print it as JSON]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_advise_defaults_added=0

_shtab_surpluscharge_away_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--leave[a day, or an RFC 3339 time with its offset (default\: now)]:WHEN:"
  "--back[likewise (default\: when --over is said)]:WHEN:"
  "--no-sun[nor is the sun to charge meanwhile]"
  "--over[somebody is there again, or will be after all]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_away_defaults_added=0

_shtab_surpluscharge_changed_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--from[a day, or an RFC 3339 time (default\: now)]:TIME:"
  "--note[a word about it, for reports]:TEXT:"
  "--list[list what was said, by number]"
  "--undo[take one back]:NUMBER:"
  "--yes[do not ask first]"
  ":what is another one\: house if moved, or with other panels:(meter plug lead house)"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_changed_defaults_added=0

_shtab_surpluscharge_charge_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--kwh[so much energy]:kwh:"
  "--hours[for so long, beginning now]:hours:"
  "--nothing[take back what was asked for]"
  "--by[with --kwh\: HH\:MM, or an RFC 3339 time with its offset (default\: beginning now)]:TIME:"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_charge_defaults_added=0

_shtab_surpluscharge_check_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--brief[only what it comes to, and the warnings]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_check_defaults_added=0

_shtab_surpluscharge_commission_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--record[write what was found to a new file, as JSON]:FILE:_files"
  "(*)::only these (default\: all). meter\: does the meter speak, and often enough\; sign\: does import rise when a kettle is switched on\; relay\: does the relay obey, with nothing plugged into it\; loss\: does the broker switch off when this program is gone\; hold\: does the plug switch off by itself when nothing is heard (relay.hold_s)\; draw\: what does the lead draw, with the car:"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_commission_defaults_added=0

_shtab_surpluscharge_demo_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--hours[house hours to simulate, from 12\:50 on (default\: 18.5, until the car has left)]:hours:"
  "--speed[house seconds per second (default\: done in about two minutes)]:speed:"
  "--seed[which weather and household (default\: 1)]:seed:"
  "--battery[with a battery in the house, which is to be spared]"
  "--json[print the summary as JSON]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_demo_defaults_added=0

_shtab_surpluscharge_disable_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_disable_defaults_added=0

_shtab_surpluscharge_enable_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_enable_defaults_added=0

_shtab_surpluscharge_examine_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--listen[how long the devices are listened to (default\: 12)]:SECONDS:"
  "--json[print what was found as JSON]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_examine_defaults_added=0

_shtab_surpluscharge_export_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--from[a day, or an RFC 3339 time (default\: the first)]:TIME:"
  "--to[a day, included, or a time (default\: now)]:TIME:"
  "--what[default\: readings]:what:(readings charges days joints looks)"
  "--output[needed for parquet (and the parquet extra)]:FILE:_files"
  ":default\: as the file is named, otherwise csv:(csv parquet)"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_export_defaults_added=0

_shtab_surpluscharge_history_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--mend[put right what can be\; the daemon must be stopped]"
  ":action:(check)"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_history_defaults_added=0

_shtab_surpluscharge_import_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--decimal-comma[numbers in the file are written as 1350,5]"
  "*--column[the file calls a column by another name, such as import_kw\=\'from the grid (kW)\'\; may be repeated]:WHAT=NAME:"
  "--dry-run[check and count everything, and write nothing]"
  "--list[list the imports on record, by number]"
  "--undo[take back what this import added, and nothing else]:NUMBER:"
  "--yes[do not ask before something is undone]"
  "--fresh-s[hold no reading longer (default\: thrice the usual interval)]:S:"
  "--gaps-only[leave out what is on record already]"
  ":its columns\: time, grid_w (or import_w and export_w)\[, charger_w\]\; _kw for kilowatts\; charger_w where the charger was on, and is in the grid\'s power:"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_import_defaults_added=0

_shtab_surpluscharge_looked_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "(*)::what you saw, in words, such as\: pins bright, nothing brown:"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_looked_defaults_added=0

_shtab_surpluscharge_off_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_off_defaults_added=0

_shtab_surpluscharge_registers_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--month[a month\: 2031-05 (default\: this one)]:MONTH:"
  "--json[print it as JSON]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_registers_defaults_added=0

_shtab_surpluscharge_replay_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--readings[a CSV file with the columns time, grid_w (or import_w and export_w)\[, charger_w\]\; _kw for kilowatts\; or \"ledger\"\: the daemon\'s own history]:FILE:_files"
  "--decimal-comma[numbers in the file are written as 1350,5]"
  "*--column[the file calls a column by another name, such as import_kw\=\'from the grid (kW)\'\; may be repeated]:WHAT=NAME:"
  "--prices[import prices that moved\: JSON as the topic has them, or CSV with a header of start, minutes or end, and price (default\: with the ledger those on record, else those of \[money\])]:FILE:_files"
  "--json[print it as JSON]"
  "--html[also draw a day and all days (needs the report extra)]:FILE:_files"
  "--day[the day to draw (default\: the costliest one)]:DATE:"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_replay_defaults_added=0

_shtab_surpluscharge_report_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--day[a day\: 2031-05-14, today or yesterday (default\: today)]:DATE:"
  "--month[a month\: 2031-05, or last]:MONTH:"
  "--from[the first of several days]:DATE:"
  "--to[and the last (default\: today)]:DATE:"
  "--json[print the figures as JSON]"
  "--html[write a page with pictures (needs the report extra)]:FILE:_files"
  "--into[write it there, named by its days\: a page, or text without the report extra]:FOLDER:"
  "--tell[send it to those whom \[\[tell\]\] tells of months]"
  "--socket[say how the socket is doing instead (default\: ever)]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_report_defaults_added=0

_shtab_surpluscharge_run_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_run_defaults_added=0

_shtab_surpluscharge_schema_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_schema_defaults_added=0

_shtab_surpluscharge_status_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--json[print the whole document]"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_status_defaults_added=0

_shtab_surpluscharge_tune_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[the configuration, a TOML file]:FILE:_files"
  "--readings[a CSV file with the columns time, grid_w (or import_w and export_w)\[, charger_w\]\; _kw for kilowatts\; or \"ledger\"\: the daemon\'s own history]:FILE:_files"
  "--decimal-comma[numbers in the file are written as 1350,5]"
  "*--column[the file calls a column by another name, such as import_kw\=\'from the grid (kW)\'\; may be repeated]:WHAT=NAME:"
  "--prices[import prices that moved\: JSON as the topic has them, or CSV with a header of start, minutes or end, and price (default\: with the ledger those on record, else those of \[money\])]:FILE:_files"
  "--objective[value\: money\; solar\: solar energy less what is bought beside it\; starts\: the fewest that earn no less]:objective:(value solar starts)"
  "--json[print it as JSON]"
  "--html[also draw value against starts (needs the report extra)]:FILE:_files"
  "--write[write the configuration with what is recommended to a new file]:FILE:_files"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_tune_defaults_added=0

_shtab_surpluscharge_watch_options=(
  "(- : *)"{-h,--help}"[show this help message and exit]"
  "--config[take broker and base topic from a daemon\'s configuration]:FILE:_files"
  "--host[the broker\'s name or address (default\: localhost)]:HOST:"
  "--port[default\: 1883, with TLS 8883]:PORT:"
  "--tls[the connection is encrypted]"
  "--ca-file[by a certificate authority of your own]:FILE:_files"
  "--user[default\: none]:NAME:"
  "--password-file[a file that holds it]:FILE:_files"
  "--password-env[or an environment variable]:NAME:"
  "--password-credential[or the service manager]:NAME:"
  "--plain[as lines, also on a terminal]"
  "(*)::base topics, \+ for any one level (default\: surpluscharge\/\+):"
)

# guard to ensure default positional specs are added only once per session
_shtab_surpluscharge_watch_defaults_added=0


_shtab_surpluscharge() {
  local context state line curcontext="$curcontext" one_or_more='(*)' remainder='(-)*:' default='*::: :->surpluscharge'

  # Add default positional/remainder specs only if none exist, and only once per session
  if (( ! _shtab_surpluscharge_defaults_added )); then
    if (( ${_shtab_surpluscharge_options[(I)${(q)one_or_more}*]} +          ${_shtab_surpluscharge_options[(I)${(q)remainder}*]} +          ${_shtab_surpluscharge_options[(I)${(q)default}]} == 0 )); then
      _shtab_surpluscharge_options+=(': :_shtab_surpluscharge_commands' '*::: :->surpluscharge')
    fi
    _shtab_surpluscharge_defaults_added=1
  fi
  _arguments -C -s $_shtab_surpluscharge_options

  case $state in
    surpluscharge)
      words=($line[1] "${words[@]}")
      (( CURRENT += 1 ))
      curcontext="${curcontext%:*:*}:_shtab_surpluscharge-$line[1]:"
      case $line[1] in
        ack) _arguments -C -s $_shtab_surpluscharge_ack_options ;;
        advise) _arguments -C -s $_shtab_surpluscharge_advise_options ;;
        away) _arguments -C -s $_shtab_surpluscharge_away_options ;;
        changed) _arguments -C -s $_shtab_surpluscharge_changed_options ;;
        charge) _arguments -C -s $_shtab_surpluscharge_charge_options ;;
        check) _arguments -C -s $_shtab_surpluscharge_check_options ;;
        commission) _arguments -C -s $_shtab_surpluscharge_commission_options ;;
        demo) _arguments -C -s $_shtab_surpluscharge_demo_options ;;
        disable) _arguments -C -s $_shtab_surpluscharge_disable_options ;;
        enable) _arguments -C -s $_shtab_surpluscharge_enable_options ;;
        examine) _arguments -C -s $_shtab_surpluscharge_examine_options ;;
        export) _arguments -C -s $_shtab_surpluscharge_export_options ;;
        history) _arguments -C -s $_shtab_surpluscharge_history_options ;;
        import) _arguments -C -s $_shtab_surpluscharge_import_options ;;
        looked) _arguments -C -s $_shtab_surpluscharge_looked_options ;;
        off) _arguments -C -s $_shtab_surpluscharge_off_options ;;
        registers) _arguments -C -s $_shtab_surpluscharge_registers_options ;;
        replay) _arguments -C -s $_shtab_surpluscharge_replay_options ;;
        report) _arguments -C -s $_shtab_surpluscharge_report_options ;;
        run) _arguments -C -s $_shtab_surpluscharge_run_options ;;
        schema) _arguments -C -s $_shtab_surpluscharge_schema_options ;;
        status) _arguments -C -s $_shtab_surpluscharge_status_options ;;
        tune) _arguments -C -s $_shtab_surpluscharge_tune_options ;;
        watch) _arguments -C -s $_shtab_surpluscharge_watch_options ;;
      esac
  esac
}



typeset -A opt_args

if [[ $zsh_eval_context[-1] == eval ]]; then
  # eval/source/. command, register function for later
  compdef _shtab_surpluscharge -N surpluscharge
else
  # autoload from fpath, call function directly
  _shtab_surpluscharge "$@"
fi
