from fabrication.rules.cutting.process import main

main()
