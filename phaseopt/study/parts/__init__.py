"""Parts study: which of the parts on a shelf to bolt together.

- What goes together: `combinations` lists it and makes a project of each; `drops` says whether the valve drop of one is
  known; `family` makes lobes that are not ground yet; `written` writes a chosen combination as a project of its own.
- One combination: `present` calibrates the present engine, `knowledge` carries what its pulls show to other parts;
  `trial` finds the best tables at full throttle, over phasers that `reach` all offsets, from torque at `nodes`.
- All of them: `study` asks for trials, which `run` makes beside other processes; `order` says which are tried further,
  `sampler` chooses among very many, `grind` looks for the best lobe of a family.
- Which is better: `paired` compares them with what they share counted once, `shares` says what each part brings.
"""
