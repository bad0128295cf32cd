"""Layout of all screens. Colours are variables of the theme."""

BROAD = [(0, "-close"), (150, "-broad")]
"""Widths of a dialogue's screen: where it is broad, dialogues stand between the columns of the walk."""
LOW = [(0, "-low"), (32, "-high")]
"""Heights of a dialogue's screen: where it is low, dialogues leave out blank lines."""
COLUMNS = [(0, "-narrow"), (120, "-wide"), (144, "-widest")]
"""Widths of the walk's screen from which figures, and the list of steps too, have room beside the step."""
HEAD = 4
"""Lines at the head of the walk that stay in view over a dialogue: where, the phases, the verdict, before."""

CSS = """
Screen { background: $paper; color: $ink; layers: base; }
ModalScreen { align: center middle; background: transparent; }

#title-line, #phases, #verdict, #times, #people { height: 1; }
#title-line { background: $panel-fill; }
#middle { height: 1fr; }
#centre { width: 1fr; }
#steps, #figures { display: none; }
#steps { width: 22%; min-width: 28; max-width: 34; border-right: solid $rule; }
#figures { width: 29%; min-width: 40; max-width: 48; border-left: solid $rule; }
#notice { height: auto; max-height: 2; background: $panel-fill; display: none; }
#notice.-said { display: block; }
#runout { height: 5; }
#times { background: $panel-fill; }
#keys { height: 2; }
.-wide #figures, .-widest #figures, .-widest #steps { display: block; }
.-tall #runout { height: 7; }
.-tall #centre { padding-bottom: 1; }

#dialogue, #page, #sealed {
    width: 80; max-width: 100%; height: auto; max-height: 100%;
    background: $paper; border: round $lead; padding: 0 1;
}
#dialogue.alert { border: heavy $alert; }
Ask.-low { align: center top; }
.-broad #dialogue, .-broad #sealed { offset: -5 0; }
#page { height: 100%; max-height: 100%; width: 100; }
#page #text, #page OptionList { height: 1fr; }
#sealed { width: 80; height: auto; min-height: 24; }
#dialogue #about { height: auto; max-height: 9; }
#dialogue #title { height: auto; padding-bottom: 1; }
#dialogue .caution { height: auto; }
#dialogue #said { height: auto; max-height: 5; padding-top: 1; }
#dialogue #foot, #page #foot, #sealed #foot { height: auto; }
.-low #dialogue #title, .-low #dialogue #said { padding: 0; }
.-low #dialogue #said { min-height: 1; }
.field, .field Horizontal { height: auto; }
.field .label { height: auto; color: $quiet; text-align: right; padding-right: 1; }
.field Input { width: 1fr; }
.field .beside { width: 1fr; height: auto; padding-left: 1; color: $quiet; }
.field .under { height: auto; }
Input, Input.-textual-compact { background: $panel-fill; color: $ink; }
Input:focus, Input.-textual-compact:focus { background: $bar-back; color: $ink; text-style: bold; }
Input > .input--placeholder { color: $ink; }
Input > .input--suggestion { color: $ink; }
Input > .input--selection { background: $lead; color: $paper; }
OptionList { background: $paper; border: none; padding: 0; }
OptionList > .option-list--option-highlighted { background: $lead; color: $paper; text-style: bold; }
#code { height: auto; }
#large { width: 26; height: auto; color: $ink; }
#qr { width: auto; height: auto; color: #000000; background: #FFFFFF; margin-left: 2; }

#arrival { height: 1fr; }
CommandPalette { background: transparent; }
CommandPalette #--input { border: none; background: $panel-fill; }
CommandPalette SearchIcon { display: none; }
"""
