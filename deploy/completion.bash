# From `python -m tests.readme`.

_shtab_surpluscharge_subparsers=(run check examine commission status watch enable disable off ack looked charge away advise replay tune history export import changed registers report schema demo)

_shtab_surpluscharge_run_option_strings=(-h --help --config)
_shtab_surpluscharge_check_option_strings=(-h --help --config --brief)
_shtab_surpluscharge_examine_option_strings=(-h --help --config --listen --json)
_shtab_surpluscharge_commission_option_strings=(-h --help --config --record)
_shtab_surpluscharge_status_option_strings=(-h --help --config --json)
_shtab_surpluscharge_watch_option_strings=(-h --help --config --host --port --tls --ca-file --user --password-file --password-env --password-credential --plain)
_shtab_surpluscharge_enable_option_strings=(-h --help --config)
_shtab_surpluscharge_disable_option_strings=(-h --help --config)
_shtab_surpluscharge_off_option_strings=(-h --help --config)
_shtab_surpluscharge_ack_option_strings=(-h --help --config)
_shtab_surpluscharge_looked_option_strings=(-h --help --config)
_shtab_surpluscharge_charge_option_strings=(-h --help --config --kwh --hours --nothing --by)
_shtab_surpluscharge_away_option_strings=(-h --help --config --leave --back --no-sun --over)
_shtab_surpluscharge_advise_option_strings=(-h --help --config --json)
_shtab_surpluscharge_replay_option_strings=(-h --help --config --readings --decimal-comma --column --prices --json --html --day)
_shtab_surpluscharge_tune_option_strings=(-h --help --config --readings --decimal-comma --column --prices --objective --json --html --write)
_shtab_surpluscharge_history_option_strings=(-h --help --config --mend)
_shtab_surpluscharge_export_option_strings=(-h --help --config --from --to --what --output)
_shtab_surpluscharge_import_option_strings=(-h --help --config --decimal-comma --column --dry-run --list --undo --yes --fresh-s --gaps-only)
_shtab_surpluscharge_changed_option_strings=(-h --help --config --from --note --list --undo --yes)
_shtab_surpluscharge_registers_option_strings=(-h --help --config --month --json)
_shtab_surpluscharge_report_option_strings=(-h --help --config --day --month --from --to --json --html --into --tell --socket)
_shtab_surpluscharge_schema_option_strings=(-h --help)
_shtab_surpluscharge_demo_option_strings=(-h --help --hours --speed --seed --battery --json)
_shtab_surpluscharge_option_strings=(-h --help --version)

_shtab_surpluscharge_run___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_check___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_examine___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_commission___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_commission___record_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_status___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_watch___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_watch___ca_file_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_watch___password_file_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_enable___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_disable___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_off___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_ack___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_looked___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_charge___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_away___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_advise___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_replay___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_replay___readings_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_replay___prices_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_replay___html_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_tune___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_tune___readings_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_tune___prices_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_tune___html_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_tune___write_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_history___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_export___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_export___output_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_import___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_changed___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_registers___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_report___config_COMPGEN=_shtab_compgen_files
_shtab_surpluscharge_report___html_COMPGEN=_shtab_compgen_files

_shtab_surpluscharge_tune___objective_choices=(value solar starts)
_shtab_surpluscharge_history_pos_0_choices=(check)
_shtab_surpluscharge_export_pos_0_choices=(csv parquet)
_shtab_surpluscharge_export___what_choices=(readings charges days joints looks)
_shtab_surpluscharge_changed_pos_0_choices=(meter plug lead house)
_shtab_surpluscharge_pos_0_choices=(run check examine commission status watch enable disable off ack looked charge away advise replay tune history export import changed registers report schema demo)

_shtab_surpluscharge_run__h_nargs=0
_shtab_surpluscharge_run___help_nargs=0
_shtab_surpluscharge_check__h_nargs=0
_shtab_surpluscharge_check___help_nargs=0
_shtab_surpluscharge_check___brief_nargs=0
_shtab_surpluscharge_examine__h_nargs=0
_shtab_surpluscharge_examine___help_nargs=0
_shtab_surpluscharge_examine___json_nargs=0
_shtab_surpluscharge_commission_pos_0_nargs='*'
_shtab_surpluscharge_commission__h_nargs=0
_shtab_surpluscharge_commission___help_nargs=0
_shtab_surpluscharge_status__h_nargs=0
_shtab_surpluscharge_status___help_nargs=0
_shtab_surpluscharge_status___json_nargs=0
_shtab_surpluscharge_watch_pos_0_nargs='*'
_shtab_surpluscharge_watch__h_nargs=0
_shtab_surpluscharge_watch___help_nargs=0
_shtab_surpluscharge_watch___tls_nargs=0
_shtab_surpluscharge_watch___plain_nargs=0
_shtab_surpluscharge_enable__h_nargs=0
_shtab_surpluscharge_enable___help_nargs=0
_shtab_surpluscharge_disable__h_nargs=0
_shtab_surpluscharge_disable___help_nargs=0
_shtab_surpluscharge_off__h_nargs=0
_shtab_surpluscharge_off___help_nargs=0
_shtab_surpluscharge_ack__h_nargs=0
_shtab_surpluscharge_ack___help_nargs=0
_shtab_surpluscharge_looked_pos_0_nargs='*'
_shtab_surpluscharge_looked__h_nargs=0
_shtab_surpluscharge_looked___help_nargs=0
_shtab_surpluscharge_charge__h_nargs=0
_shtab_surpluscharge_charge___help_nargs=0
_shtab_surpluscharge_charge___nothing_nargs=0
_shtab_surpluscharge_away__h_nargs=0
_shtab_surpluscharge_away___help_nargs=0
_shtab_surpluscharge_away___no_sun_nargs=0
_shtab_surpluscharge_away___over_nargs=0
_shtab_surpluscharge_advise__h_nargs=0
_shtab_surpluscharge_advise___help_nargs=0
_shtab_surpluscharge_advise___json_nargs=0
_shtab_surpluscharge_replay__h_nargs=0
_shtab_surpluscharge_replay___help_nargs=0
_shtab_surpluscharge_replay___decimal_comma_nargs=0
_shtab_surpluscharge_replay___json_nargs=0
_shtab_surpluscharge_tune__h_nargs=0
_shtab_surpluscharge_tune___help_nargs=0
_shtab_surpluscharge_tune___decimal_comma_nargs=0
_shtab_surpluscharge_tune___json_nargs=0
_shtab_surpluscharge_history__h_nargs=0
_shtab_surpluscharge_history___help_nargs=0
_shtab_surpluscharge_history___mend_nargs=0
_shtab_surpluscharge_export__h_nargs=0
_shtab_surpluscharge_export___help_nargs=0
_shtab_surpluscharge_import__h_nargs=0
_shtab_surpluscharge_import___help_nargs=0
_shtab_surpluscharge_import___decimal_comma_nargs=0
_shtab_surpluscharge_import___dry_run_nargs=0
_shtab_surpluscharge_import___list_nargs=0
_shtab_surpluscharge_import___yes_nargs=0
_shtab_surpluscharge_import___gaps_only_nargs=0
_shtab_surpluscharge_changed__h_nargs=0
_shtab_surpluscharge_changed___help_nargs=0
_shtab_surpluscharge_changed___list_nargs=0
_shtab_surpluscharge_changed___yes_nargs=0
_shtab_surpluscharge_registers__h_nargs=0
_shtab_surpluscharge_registers___help_nargs=0
_shtab_surpluscharge_registers___json_nargs=0
_shtab_surpluscharge_report__h_nargs=0
_shtab_surpluscharge_report___help_nargs=0
_shtab_surpluscharge_report___json_nargs=0
_shtab_surpluscharge_report___tell_nargs=0
_shtab_surpluscharge_report___socket_nargs=0
_shtab_surpluscharge_schema__h_nargs=0
_shtab_surpluscharge_schema___help_nargs=0
_shtab_surpluscharge_demo__h_nargs=0
_shtab_surpluscharge_demo___help_nargs=0
_shtab_surpluscharge_demo___battery_nargs=0
_shtab_surpluscharge_demo___json_nargs=0
_shtab_surpluscharge_pos_0_nargs=A...
_shtab_surpluscharge__h_nargs=0
_shtab_surpluscharge___help_nargs=0
_shtab_surpluscharge___version_nargs=0


# $1=COMP_WORDS[1]
_shtab_compgen_files() {
  compgen -f -- $1  # files
}

# $1=COMP_WORDS[1]
_shtab_compgen_dirs() {
  compgen -d -- $1  # recurse into subdirs
}

# $1=COMP_WORDS[1]
_shtab_replace_nonword() {
  echo "${1//[^[:word:]]/_}"
}

# set default values (called for the initial parser & any subparsers)
_set_parser_defaults() {
  local subparsers_var="${prefix}_subparsers[@]"
  sub_parsers=${!subparsers_var-}

  local current_option_strings_var="${prefix}_option_strings[@]"
  current_option_strings=${!current_option_strings_var}

  completed_positional_actions=0

  _set_new_action "pos_$completed_positional_actions" true
}

# $1=action identifier
# $2=positional action (bool)
# set all identifiers for an action's parameters
_set_new_action() {
  current_action="${prefix}_$(_shtab_replace_nonword $1)"

  local current_action_compgen_var=${current_action}_COMPGEN
  current_action_compgen="${!current_action_compgen_var-}"

  local current_action_choices_var="${current_action}_choices[@]"
  current_action_choices="${!current_action_choices_var-}"

  local current_action_nargs_var="${current_action}_nargs"
  if [ -n "${!current_action_nargs_var-}" ]; then
    current_action_nargs="${!current_action_nargs_var}"
  else
    current_action_nargs=1
  fi

  current_action_args_start_index=$(( $word_index + 1 - $pos_only ))

  current_action_is_positional=$2
}

# Notes:
# `COMPREPLY`: what will be rendered after completion is triggered
# `completing_word`: currently typed word to generate completions for
# `${!var}`: evaluates the content of `var` and expand its content as a variable
#     hello="world"
#     x="hello"
#     ${!x} -> ${hello} -> "world"
_shtab_surpluscharge() {
  local completing_word="${COMP_WORDS[COMP_CWORD]}"
  local previous_word="${COMP_WORDS[COMP_CWORD-1]}"
  local completed_positional_actions
  local current_action
  local current_action_args_start_index
  local current_action_choices
  local current_action_compgen
  local current_action_is_positional
  local current_action_nargs
  local current_option_strings
  local sub_parsers
  COMPREPLY=()

  local prefix=_shtab_surpluscharge
  local word_index=0
  local pos_only=0 # "--" delimiter not encountered yet
  _set_parser_defaults
  word_index=1

  # determine what arguments are appropriate for the current state
  # of the arg parser
  while [ $word_index -ne $COMP_CWORD ]; do
    local this_word="${COMP_WORDS[$word_index]}"

    if [[ $pos_only = 1 || " $this_word " != " -- " ]]; then
      if [[ -n $sub_parsers && " ${sub_parsers[@]} " == *" $this_word "* ]]; then
        # valid subcommand: add it to the prefix & reset the current action
        prefix="${prefix}_$(_shtab_replace_nonword $this_word)"
        _set_parser_defaults
      fi

      if [[ " ${current_option_strings[@]} " == *" $this_word "* ]]; then
        # a new action should be acquired (due to recognised option string or
        # no more input expected from current action);
        # the next positional action can fill in here
        _set_new_action $this_word false
      fi

      if [[ "$current_action_nargs" != "*" ]] && \
         [[ "$current_action_nargs" != "+" ]] && \
         [[ "$current_action_nargs" != "?" ]] && \
         [[ "$current_action_nargs" != *"..." ]] && \
         (( $word_index + 1 - $current_action_args_start_index - $pos_only >= \
            $current_action_nargs )); then
        $current_action_is_positional && let "completed_positional_actions += 1"
        _set_new_action "pos_$completed_positional_actions" true
      fi
    else
      pos_only=1 # "--" delimiter encountered
    fi

    let "word_index+=1"
  done

  # Generate the completions

  COMPREPLY=()
  if [[ $pos_only = 0 && "$completing_word" == -* &&
        ( -z "$current_action_compgen" || "$current_action_is_positional" = true ) ]]; then
    # optional argument started: use option strings
    while IFS= read -r line; do COMPREPLY+=("$line"); done < <(
      compgen -W "${current_option_strings[*]}" -- "$completing_word")
  elif [[ "$previous_word" =~ ^[0-9\&]*[\<\>]\>?$ ]]; then
    # handle redirection operators
    compopt -o filenames 2>/dev/null || : # bash>=4
    while IFS= read -r line; do COMPREPLY+=("$line"); done < <(compgen -f -- "$completing_word")
  else
    # use choices & compgen
    local action_compgen_word="$completing_word"
    # handle tab-completing in the middle of a line (#248 <- #116)
    [[ -n "$current_action_compgen" && "$completing_word" == -* ]] && action_compgen_word=""
    [ -n "$current_action_compgen" ] && {
      [[ "$current_action_compgen" =~ _(file|dir|glob|FILE|DIR|GLOB)|File|Dir|Glob ]] &&
        compopt -o filenames 2>/dev/null || : # bash>=4
      while IFS= read -r line; do COMPREPLY+=("$line"); done < <(
        "$current_action_compgen" "$action_compgen_word")
    }
    while IFS= read -r line; do COMPREPLY+=("$line"); done < <(
      compgen -W "${current_action_choices[*]}" -- "$completing_word")
  fi

  if [[ ${#COMPREPLY[@]} = 0 ]]; then
    # native fallback matches are not necessarily filenames (e.g. variables)
    compopt +o filenames 2>/dev/null || : # bash>=4
  fi

  return 0
}

complete -o bashdefault -F _shtab_surpluscharge surpluscharge
